"""A picture of one week for a slide or a chat group, from a plan or from its finished folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import matplotlib
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
from pyproj import CRS

from sourcing.errors import OutputError, UsageError
from sourcing.network.ways import LONLAT, local_crs
from sourcing.outputs.landlayers import Geometries
from sourcing.outputs.pagemaps import Box, Land, MapFrame, bounds_of, land_from
from sourcing.outputs.pages import MARGIN, QUIET, Page, shortened
from sourcing.outputs.programme import LONGEST_NAME, Programme, names_of
from sourcing.outputs.sheetparts import foot, head, heading
from sourcing.outputs.tables import GROUND_LAYERS
from sourcing.weeks import DAYS_A_WEEK, Calendar, monday, monday_of
from sourcing.words import Words, load_words

PICTURE_DPI = 170
VILLAGE_COLUMNS = ["id", "name", "lon", "lat", "deploy"]
SITE_COLUMNS = ["id", "name", "lon", "lat", "village", "first_week", "residue_kg"]
WORK_COLUMNS = ("site_id", "week", "barrels", "residue_kg", "char_kg", "carriers", "tenders")


@dataclass(frozen=True)
class Scene:
    """What a map of the whole land shows, week by week."""

    season: str
    words: Words
    calendar: Calendar
    made: date
    land: Land
    estimated: npt.NDArray[np.bool_]
    """Whether each field of the land is estimated, not surveyed."""
    villages: pd.DataFrame
    """Index village id; name, deploy."""
    site_names: Mapping[str, str]
    work: pd.DataFrame
    """One row a site and week: see WORK_COLUMNS."""
    carries: pd.DataFrame
    """field_id and week of all that is carried."""


def scene_of(prog: Programme, land: Land) -> Scene:
    """The scene of a plan."""
    plan = prog.plan
    return Scene(
        plan.settings.season.name, prog.words, plan.calendar, prog.made, land,
        plan.fields.frame["estimated"].to_numpy(dtype=bool), _named(plan.village_table[["name", "deploy"]]),
        prog.site_names, prog.works.site_weeks[list(WORK_COLUMNS)], plan.carries[["field_id", "week"]],
    )  # fmt: skip


def scene_from(record: Mapping[str, Any], layers: Path) -> Scene:
    """The scene of a finished plan: its record (plan.json) and its map layers (plan.gpkg).

    Raises UsageError for a plan that an earlier version wrote, without what a picture needs.
    """
    there = {str(name) for name, _ in pyogrio.list_layers(layers)} if layers.is_file() else set()
    if "work" not in record or "fields" not in there:
        raise UsageError(f"{layers.parent} holds no record of the weeks' work or no fields: plan the season again")
    words = load_words(record["settings"]["season"]["language"])
    weeks = list(record["weeks"])
    calendar = Calendar(monday(str(weeks[0])), len(weeks))
    fields = gpd.read_file(layers, layer="fields").set_index("field_id")
    villages, sites = (
        pd.DataFrame(record[k], columns=columns).set_index("id")
        for k, columns in (("villages", VILLAGE_COLUMNS), ("sites", SITE_COLUMNS))
    )
    index = {label: week for week, label in enumerate(weeks)}
    work = pd.DataFrame(record["work"], columns=["site", *WORK_COLUMNS[1:]]).rename(columns={"site": "site_id"})
    carries = pd.DataFrame(record["carries"], columns=["field", "week"]).rename(columns={"field": "field_id"})
    land = land_from(fields.geometry, _ground_in(layers, there), local_crs(fields), sites, villages)
    return Scene(
        record["settings"]["season"]["name"], words, calendar, datetime.fromisoformat(record["made_at"]).date(), land,
        fields["estimated"].to_numpy(dtype=bool), _named(villages[["name", "deploy"]]),
        names_of(sites, villages["name"], words),
        work.assign(week=work["week"].map(index)), carries.assign(week=carries["week"].map(index)),
    )  # fmt: skip


def _ground_in(layers: Path, there: set[str]) -> Iterator[tuple[str, Geometries, CRS]]:
    for name in GROUND_LAYERS:
        if name in there:
            frame = gpd.read_file(layers, layer=name)
            for kind, part in frame.groupby("kind", sort=False):
                yield str(kind), np.asarray(part.geometry.to_numpy(), dtype=object), LONLAT


def _named(villages: pd.DataFrame) -> pd.DataFrame:
    return villages.assign(name=[shortened(str(name), LONGEST_NAME) for name in villages["name"]])


def week_of(calendar: Calendar, text: str) -> int:
    """The week index of '2027-W21', '21' or a day '2027-05-26'. Raises UsageError, naming the season's weeks."""
    labels = calendar.labels
    if text in labels:
        return labels.index(text)
    numbers = [i for i, label in enumerate(labels) if text.isdecimal() and int(label[6:]) == int(text)]
    if len(numbers) == 1:
        return numbers[0]
    try:
        index = calendar.index(date.fromisoformat(text))
    except ValueError:
        index = -1
    if not 0 <= index < calendar.count:
        raise UsageError(f"the season has no week {text}; its weeks are {labels[0]} to {labels[-1]}")
    return index


def telling_week(scene: Scene, today: date) -> int:
    """The week a picture shows when none is named: this week where barrels stand in it, else the one with most."""
    return telling(scene.work.groupby("week")["barrels"].sum().to_dict(), scene.calendar, today)


def telling(standing: Mapping[int, int], calendar: Calendar, today: date) -> int:
    """The same from the barrels that stand in each week."""
    now = (monday_of(today) - calendar.first_monday).days // DAYS_A_WEEK
    return now if standing.get(now) else max(standing, key=lambda week: standing[week], default=0)


def overview(page: Page, scene: Scene, box: Box, week: int | None = None) -> float:
    """The whole land: fields, villages, and at each place the most barrels that stand there at once, or those of one
    week. Returns where it ends [mm].
    """
    words, land = scene.words, scene.land
    carries, rows = (t if week is None else t[t["week"] == week] for t in (scene.carries, scene.work))
    kinds = np.where(land.field_ids.isin(carries["field_id"].unique()), "gives", "far")
    frame = MapFrame(page, box, land, bounds_of(land.fields, [*land.sites.values(), *land.villages.values()]))
    frame.draw_ground()
    frame.draw_fields(kinds, scene.estimated)
    barrels = rows.groupby("site_id")["barrels"].max()
    for site, spot in land.sites.items():
        if site in barrels.index:
            frame.mark(*spot, words.number(int(barrels[site])), size=3.3)
    for village, spot in land.villages.items():
        frame.home(*spot)
        name, deploy = scene.villages.loc[village, ["name", "deploy"]]
        frame.label(*spot, name, 7, bold=bool(deploy), gap=1.0)
    shown = "sheet.legend_most" if week is None else "sheet.legend_now"
    entries = [("mark", words(shown)), ("gives", words("sheet.legend_gives" if week is None else "state.now"))]
    return frame.legend(words, [*entries, ("home", words("legend.village"))])


def write_week_picture(scene: Scene, week: int, path: Path) -> None:
    """A picture (PNG) of one week: the land, the barrels, what the week brings. Raises UsageError for a week that the
    season does not have, OutputError when it cannot be written.
    """
    calendar, words = scene.calendar, scene.words
    if not 0 <= week < calendar.count:
        raise UsageError(f"there is no week {week}; the season has weeks 0 to {calendar.count - 1}")
    page = Page("A4", lying=True)
    number = words.digits(str(int(calendar.label(week)[6:])))
    y = head(page, scene.season, words("sheet.week_days", n=number, days=words.week_days(calendar, week)))
    aside = 66.0
    overview(page, scene, (MARGIN, y, page.inner - aside - 6, page.bottom - y - 14), week)
    x = page.width - MARGIN - aside
    here = scene.work[scene.work["week"] == week].sort_values("barrels", ascending=False, kind="stable")
    sums = here[["barrels", "residue_kg", "char_kg", "carriers", "tenders"]].sum()
    for key, value in (
        ("export.barrels", sums["barrels"]), ("export.places", len(here)), ("export.residue", sums["residue_kg"]),
        ("export.char", sums["char_kg"]), ("export.carriers", sums["carriers"]), ("export.tenders", sums["tenders"]),
    ):  # fmt: skip
        page.text(x, y + 4, words(key), 10, colour=QUIET)
        page.text(x + aside, y + 4, words.number(float(value)), 12, bold=True, align="right")
        y += 7
    y = heading(page, x, y + 3, words("site.title") if len(here) else words("site.none"), aside)
    _places_listed(page, scene, here, (x, y, aside))
    foot(page, words("export.safety"), words("facts.made", date=words.day(scene.made)))
    try:
        with matplotlib.rc_context({"text.hinting": "none"}):  # hinting moves small letters together
            page.figure.savefig(path, dpi=PICTURE_DPI, format="png", metadata={"Software": "sourcing"})
    except OSError as exc:
        raise OutputError(f"the picture could not be written to {path}: {exc}") from exc


def _places_listed(page: Page, scene: Scene, here: pd.DataFrame, at: Sequence[float]) -> None:
    """The places in use and their barrels, as many as there is room for."""
    x, y, most = at
    words = scene.words
    fit = max(int((page.bottom - y) / 5.2) - 1, 1)
    for row in here.head(fit).itertuples():
        page.text(x, y + 4, scene.site_names[str(row.site_id)], 9.5)
        page.text(x + most, y + 4, words.number(row.barrels), 9.5, bold=True, align="right")
        y += 5.2
    if len(here) > fit:
        page.text(x, y + 4, words("sheet.and_more", n=words.number(len(here) - fit)), 9.5, colour=QUIET)
