"""The path network drawn and told on its own: what `sourcing paths` shows before anything is planned."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from sourcing.carrying.sites import Sites
from sourcing.errors import OutputError
from sourcing.intake.fields import Fields
from sourcing.network.noding import Floats
from sourcing.network.paths import PathNetwork
from sourcing.network.ways import LONLAT

_PART_COLOURS = ("#b5452c", "#7b3f98", "#c98a00", "#00796b", "#5d4037")
_WIDTH_OF = (0.7, 0.9, 1.6)
_INCHES = 10.0
_DOTS = 160


def network_facts(network: PathNetwork) -> dict[str, Any]:
    """The network in figures: nodes, edges, length_m, ways (m by kind), closed (m by season), parts, repairs
    (times by kind), climb_share (level metres over metres, mean of both ways), file.
    """  # fmt: skip
    length = network.length_m
    kinds, which = np.unique(network.way, return_inverse=True)
    by_kind = np.bincount(which, weights=length, minlength=len(kinds))
    by_season = np.bincount(network.closure, weights=length, minlength=len(network.closures))
    closed = zip(network.closures, by_season.tolist(), strict=True)
    mean_level = (network.level_uv_m.sum() + network.level_vu_m.sum()) / 2
    return {
        "file": network.file,
        "nodes": len(network.xy),
        "edges": len(network.u),
        "length_m": float(length.sum()),
        "ways": dict(zip((str(k) or "not told" for k in kinds), by_kind.tolist(), strict=True)),
        "closed": {text: metres for text, metres in closed if text and metres > 0},
        "parts": network.parts.reset_index().to_dict("records"),
        "repairs": {str(k): int(n) for k, n in network.repairs["what"].value_counts().sort_index().items()},
        "climb_share": float(mean_level / length.sum()),
    }


def draw_network(
    network: PathNetwork,
    path: Path,
    fields: Fields | None = None,
    sites: Sites | None = None,
    barriers: gpd.GeoDataFrame | None = None,
    title: str = "",
) -> None:
    """Draws the network into a PNG: main part grey, each separate part in its own colour with the gap to the rest,
    seasonally closed ways dashed, repairs as rings, with fields, sites, barriers and a scale.

    Raises OutputError when the file cannot be written.
    """
    figure = Figure(figsize=(_INCHES, _INCHES), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_aspect("equal")
    if fields is not None:
        gpd.GeoSeries(fields.frame.geometry).to_crs(network.crs).plot(
            ax=axes, color="#e8e2c8", edgecolor="#cfc6a0", lw=0.3
        )
    if barriers is not None and len(barriers):
        gpd.GeoSeries(barriers.geometry).to_crs(network.crs).plot(ax=axes, color="#5b9bd5", lw=1.6, alpha=0.8)
    part = network.part[network.u]
    shown = 0
    for number in range(int(part.max()) + 1 if len(part) else 0):
        mine = np.flatnonzero(part == number)
        colour = "#555555" if number == 0 else _PART_COLOURS[(number - 1) % len(_PART_COLOURS)]
        shut = network.closure[mine] > 0
        for these, style in ((mine[~shut], "solid"), (mine[shut], (0, (4, 2)))):
            courses = [shapely.get_coordinates(network.lines[e]) for e in these.tolist()]
            widths = [_WIDTH_OF[w] for w in network.width[these].tolist()]
            axes.add_collection(LineCollection(courses, colors=colour, linewidths=widths, linestyles=style))
        if number and shown < len(_PART_COLOURS):
            row = network.parts.iloc[number]
            at = _local(network, np.array([row["gap_lon"]]), np.array([row["gap_lat"]]))[0]
            axes.annotate(
                f"gap {row['gap_m']:.0f} m",
                (at[0], at[1]),
                color=colour,
                fontsize=8,
                xytext=(4, 4),
                textcoords="offset points",
            )
            shown += 1
    told = network.repairs[network.repairs["lon"].notna() & (network.repairs["what"] != "crossing")]
    if len(told):
        spots = _local(network, told["lon"].to_numpy(), told["lat"].to_numpy())
        axes.scatter(
            spots[:, 0], spots[:, 1], s=22, facecolors="none", edgecolors="#d81b60", linewidths=0.8, label="mended here"
        )
    if sites is not None and len(sites.frame):
        spots = shapely.get_coordinates(sites.frame.geometry.to_crs(network.crs).to_numpy())
        axes.scatter(spots[:, 0], spots[:, 1], s=16, marker="^", color="#1b5e20", label="place for barrels", zorder=3)
    axes.autoscale_view()
    _scale(axes)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="upper right", fontsize=8)
    main = network.parts["length_m"].iloc[0] / network.length_m.sum()
    axes.set_title(
        f"{title or network.file}: {network.length_m.sum() / 1000:.1f} km of path, {len(network.parts)} separate "
        f"part{'s' if len(network.parts) > 1 else ''} ({main:.1%} in the largest)", fontsize=10,
    )  # fmt: skip
    axes.set_axis_off()
    try:
        figure.savefig(path, format="png", dpi=_DOTS, metadata={"Software": None})
    except OSError as exc:
        raise OutputError(f"cannot write {path}: {exc.strerror or exc}") from exc


def _local(network: PathNetwork, lon: Floats, lat: Floats) -> Floats:
    points = gpd.GeoSeries(gpd.points_from_xy(lon, lat), crs=LONLAT).to_crs(network.crs)
    return np.asarray(shapely.get_coordinates(points.to_numpy()), dtype=np.float64)


def _scale(axes: Any) -> None:
    """A bar of a round length in the lower left corner; the network's system is in metres."""
    left, right = axes.get_xlim()
    low, high = axes.get_ylim()
    wish = (right - left) / 5
    step = 10 ** np.floor(np.log10(wish))
    length = float(step * max(k for k in (1, 2, 5) if k * step <= wish))
    x, y = left + 0.03 * (right - left), low + 0.03 * (high - low)
    axes.plot([x, x + length], [y, y], color="black", lw=2)
    text = f"{length:g} m" if length < 1000 else f"{length / 1000:g} km"
    axes.annotate(text, (x + length / 2, y), ha="center", fontsize=8, xytext=(0, 4), textcoords="offset points")
