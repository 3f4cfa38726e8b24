"""Make the demo season: an invented valley, drawn from one seed, written to demo_maps/season.

Nothing here is real: no place, no name, no person, no figure of any survey. The land is grown in the order in which
land grows: relief, river and streams, villages, road and tracks, footpaths, houses, fields; then a survey is made of
the fields, with the faults that surveys have. Lengths are metres on a flat plane centred on the valley; what is
written is longitude and latitude.

    python scripts/make_demo.py [FOLDER]
"""

from __future__ import annotations

import heapq
import math
import sys
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from rasterio.features import rasterize, shapes
from rasterio.transform import from_origin
from shapely import LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon, box
from shapely.affinity import translate
from shapely.geometry.base import BaseGeometry
from shapely.ops import linemerge, split, unary_union

SEED = 20270426
LON0, LAT0 = 22.6, -21.9
PLANE = f"+proj=tmerc +lat_0={LAT0} +lon_0={LON0} +k=1 +x_0=0 +y_0=0 +ellps=WGS84 +units=m +no_defs"
HALF = 4500.0  # the mapped square reaches this far from its middle [m]
CELL = 30.0  # relief and routing grid [m]
GRID = 330  # cells a side; a margin round the mapped square
EDGE = -GRID * CELL / 2
YEAR = 2027

VILLAGES = (  # invented name, prefix of the plot numbers, fields surveyed; large ones first
    ("Veshmarra", "VE", 450),
    ("Olquint", "OL", 375),
    ("Tammerlo", "TA", 325),
    ("Quillasp", "QU", 270),
    ("Nephirra", "NE", 235),
    ("Ishbrel", "IS", 200),
    ("Brundole", "BR", 170),
    ("Yandrivo", "YA", 140),
    ("Uskemmar", "US", 120),
    ("Fennoquay", "FE", 95),
    ("Pelloriv", "PE", 75),
    ("Zhantoque", "ZH", 60),
)
RIVER, TRIBUTARY = "Sorrelin", "Ettwin"
WORKSHOP = "Sorrelin road workshop"

# crop: yield [t/ha], spread, first day of harvest, days it takes, clear-by day, words in the survey (usual first)
CROPS: dict[str, tuple[float, float, str, int, str, tuple[str, ...]]] = {
    "maize": (2.1, 0.35, "04-26", 24, "07-31", ("maize", "Maize", "corn")),
    "sorghum": (1.3, 0.35, "05-10", 26, "08-15", ("sorghum", "Sorghum")),
    "pearl_millet": (1.0, 0.35, "04-30", 22, "08-15", ("millet", "pearl millet")),
    "groundnut": (1.0, 0.30, "04-20", 18, "07-10", ("groundnut", "g/nuts", "ground nuts")),
    "sunflower": (1.05, 0.30, "05-05", 18, "07-31", ("sunflower", "sunfl.")),
    "rice": (2.7, 0.25, "05-15", 20, "07-20", ("paddy", "rice")),
    "cotton": (1.3, 0.35, "07-01", 35, "09-25", ("cotton", "Cotton")),
    "pigeon_pea": (1.05, 0.30, "07-26", 28, "10-15", ("pigeon pea", "p/peas")),
}


# ---------------------------------------------------------------- fields of numbers on the grid


def smooth_noise(rng: np.random.Generator, beta: float, longest_m: float) -> np.ndarray:
    """Spectral noise on the grid, mean 0, deviation 1: power falls with frequency**beta below `longest_m`."""
    freq = np.fft.fftfreq(GRID, CELL)
    radius = np.hypot(freq[:, None], freq[None, :])
    power = np.where(radius > 0, np.maximum(radius, 1 / longest_m) ** (-beta / 2), 0.0)
    noise = np.fft.ifft2(np.fft.fft2(rng.standard_normal((GRID, GRID))) * power).real
    return (noise - noise.mean()) / noise.std()


def sample(grid: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Bilinear value of a grid at points; row 0 is the south."""
    fx = np.clip((np.asarray(x) - EDGE) / CELL - 0.5, 0, GRID - 1.001)
    fy = np.clip((np.asarray(y) - EDGE) / CELL - 0.5, 0, GRID - 1.001)
    i, j = fx.astype(int), fy.astype(int)
    u, v = fx - i, fy - j
    low = grid[j, i] * (1 - u) + grid[j, i + 1] * u
    return low * (1 - v) + (grid[j + 1, i] * (1 - u) + grid[j + 1, i + 1] * u) * v


def blur(grid: np.ndarray, rounds: int) -> np.ndarray:
    """Mean of the neighbours, `rounds` times."""
    for _ in range(rounds):
        wide = np.pad(grid, 1, mode="edge")
        grid = (wide[1:-1, :-2] + wide[1:-1, 2:] + wide[:-2, 1:-1] + wide[2:, 1:-1] + 2 * wide[1:-1, 1:-1]) / 6
    return grid


def chaikin(xy: np.ndarray, rounds: int = 2) -> np.ndarray:
    """A line with its corners cut, ends kept."""
    for _ in range(rounds):
        if len(xy) < 3:
            return xy
        first, last = xy[:-1] * 0.75 + xy[1:] * 0.25, xy[:-1] * 0.25 + xy[1:] * 0.75
        xy = np.vstack([xy[:1], np.stack([first, last], 1).reshape(-1, 2)[1:-1], xy[-1:]])
    return xy


# ---------------------------------------------------------------- relief and water


@dataclass(frozen=True)
class Land:
    """Relief [m] on the grid, its slope [m/m] and direction of fall, and the water."""

    z: np.ndarray
    slope: np.ndarray
    aspect: np.ndarray
    river: LineString
    tributary: LineString
    streams: list[LineString]
    water: BaseGeometry  # river, tributary, an old loop and a pond, as areas
    pond: Polygon
    oxbow: Polygon


def meander(start: tuple[float, float], axis, length: float, wave: float, swing: float, rng) -> LineString:
    """A line whose direction swings about that of the valley; the swing varies along it."""
    step, at, heading = 15.0, np.array(start, float), []
    phase, points = rng.uniform(0, 2 * math.pi), [np.array(start, float)]
    rate, size = 1.0, 1.0
    for _ in range(int(length / step)):
        rate += 0.04 * (1.0 - rate) + rng.normal(0, 0.11)
        size += 0.03 * (1.0 - size) + rng.normal(0, 0.10)
        phase += 2 * math.pi * step / wave * min(max(rate, 0.45), 1.9)
        turn = swing * min(max(size, 0.3), 1.45) * (math.sin(phase) + 0.12 * math.sin(2 * phase + 1.0))
        heading.append(axis(at) + turn)
        at = at + step * np.array([math.cos(heading[-1]), math.sin(heading[-1])])
        points.append(at)
    return LineString(chaikin(np.array(points)[::2], 1)).simplify(1.0)


def flow(z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fill the hollows from the edge inwards; where each cell drains to, how many cells drain through it, levels."""
    n = GRID
    level, to = np.full(n * n, np.inf), np.full(n * n, -1)
    flat = z.ravel()
    queue = [(flat[k], k) for k in range(n * n) if k % n in (0, n - 1) or k // n in (0, n - 1)]
    for value, k in queue:
        level[k] = value
    heapq.heapify(queue)
    order = []
    while queue:
        value, k = heapq.heappop(queue)
        order.append(k)
        row, col = divmod(k, n)
        for dr in (-1, 0, 1):
            for dc in (-1, 0, 1):
                r, c = row + dr, col + dc
                if (dr or dc) and 0 <= r < n and 0 <= c < n:
                    other = r * n + c
                    if level[other] == np.inf:
                        level[other] = max(flat[other], value + 1e-4)
                        to[other] = k
                        heapq.heappush(queue, (level[other], other))
    through = np.ones(n * n)
    for k in reversed(order):
        if to[k] >= 0:
            through[to[k]] += through[k]
    return to, through.reshape(n, n), level.reshape(n, n)


def centres() -> tuple[np.ndarray, np.ndarray]:
    """x and y of the cell centres, as grids."""
    axis = EDGE + CELL * (np.arange(GRID) + 0.5)
    return np.meshgrid(axis, axis)


def make_land(rng: np.random.Generator) -> Land:
    """Carve a river and a tributary into rolling country, then let rain find the streams."""
    x, y = centres()
    grid_points = shapely.points(x.ravel(), y.ravel())

    def valley_y(at_x: float) -> float:
        return 650 * math.sin(at_x / 2500 + 0.6) - 500

    def along(at: np.ndarray) -> float:
        slope = 650 / 2500 * math.cos(at[0] / 2500 + 0.6)
        return math.atan(slope) + 0.0011 * max(min(valley_y(at[0]) - at[1], 400), -400)

    river = meander((EDGE - 200, valley_y(EDGE - 200)), along, 17500, 1150, 0.95, rng)
    river = river.intersection(box(EDGE - 1, EDGE - 1, -EDGE + 1, -EDGE + 1))
    river = max(river.geoms, key=lambda g: g.length) if river.geom_type != "LineString" else river
    mouth = river.interpolate(river.project(Point(900, valley_y(900))))

    def up(at: np.ndarray) -> float:  # the tributary is drawn upwards from its mouth
        far = max((at[1] - mouth.y) / 4000, 0)
        return math.pi / 2 + 0.45 - 0.9 * far + 0.0006 * max(min(mouth.x - 500 - at[0], 500), -500)

    tributary = meander((mouth.x, mouth.y), up, 8200, 620, 0.75, rng)
    tributary = tributary.intersection(box(EDGE - 1, EDGE - 1, -EDGE + 1, -EDGE + 1))
    if tributary.geom_type != "LineString":
        tributary = max(tributary.geoms, key=lambda g: g.length)
    shapely.prepare(river)
    shapely.prepare(tributary)
    axis_line = LineString([(a, valley_y(a)) for a in np.arange(EDGE - 300, -EDGE + 301, 150)])
    from_river = shapely.distance(river, grid_points).reshape(x.shape)
    from_axis = shapely.distance(axis_line, grid_points).reshape(x.shape)
    from_trib = shapely.distance(tributary, grid_points).reshape(x.shape)
    up_trib = np.maximum(shapely.line_locate_point(tributary, grid_points).reshape(x.shape), 0)

    bed = 905 - 0.0016 * (x - EDGE)

    def side(distance: np.ndarray, flat: float, reach: float, height: float) -> np.ndarray:
        return height * (1 - np.exp(-((np.maximum(distance - flat, 0) / reach) ** 1.35)))

    main = bed + side(0.6 * from_axis + 0.4 * from_river, 180, 2100, 88)
    small = bed + 0.013 * up_trib + side(from_trib, 60, 1300, 62)
    soft = 7.0
    z = -soft * np.logaddexp(-main / soft, -small / soft)
    calm = 1 - np.exp(-((np.minimum(from_river, from_trib * 1.6) / 900) ** 1.6))
    z = z + 17 * calm * smooth_noise(rng, 3.8, 2600) + 0.7 * smooth_noise(rng, 2.6, 500) * (0.2 + calm)
    z = z + 0.006 * np.minimum(from_river, from_trib)  # the valley floor drains to the water
    for _ in range(5):  # a few stony hills
        hx, hy = rng.uniform(-4200, 4200, 2)
        if min(river.distance(Point(hx, hy)), tributary.distance(Point(hx, hy))) > 1100:
            lean = rng.uniform(0.6, 1.5)
            radius = ((x - hx) * lean) ** 2 + ((y - hy) / lean) ** 2
            z = z + rng.uniform(35, 65) * np.exp(-radius / (2 * rng.uniform(240, 420) ** 2))
    near = np.minimum(from_river / 30, from_trib / 18)
    z = z - 3.0 * np.exp(-(near**2))
    for _ in range(3):  # rain
        _, through, _ = flow(z)
        cut = np.clip(np.log2(np.maximum(through, 1) / 60), 0, 6) * (from_river > 60) * (from_trib > 40)
        z = z - 0.8 * blur(cut, 2) - 0.5 * blur(cut, 12)
    z = blur(z, 2)

    rough = z + 1.3 * smooth_noise(rng, 1.6, 240)  # streams wind
    to, through, _ = flow(rough)
    stream_cells = (through > 520) & (from_river > 45) & (from_trib > 35)
    heads = []
    fed = np.zeros(GRID * GRID, bool)
    for k in np.flatnonzero(stream_cells.ravel()):
        if to[k] >= 0:
            fed[to[k]] = True
    heads = [k for k in np.flatnonzero(stream_cells.ravel()) if not fed[k]]
    heads.sort(key=lambda k: through.ravel()[k])
    seen: set[int] = set()
    streams = []
    for k in sorted(heads, key=lambda k: -z.ravel()[k]):
        chain = [k]
        while to[chain[-1]] >= 0 and chain[-1] not in seen:
            seen.add(chain[-1])
            if min(from_river.ravel()[chain[-1]] - 20, from_trib.ravel()[chain[-1]] - 15) < 15:
                break
            chain.append(int(to[chain[-1]]))
        if len(chain) < 12:
            continue
        xy = np.array([(EDGE + CELL * (c % GRID + 0.5), EDGE + CELL * (c // GRID + 0.5)) for c in chain])
        line = LineString(xy).simplify(16)
        streams.append(LineString(chaikin(np.array(line.coords), 3)).simplify(2.0))
    frame = box(-HALF, -HALF, HALF, HALF)
    kept: list[LineString] = []
    for line in sorted(streams, key=lambda s: -s.length):
        line = line.intersection(frame)
        if kept:  # no two beside each other; a side stream keeps its last metres to the junction
            beside = unary_union(kept).buffer(70)
            ends = [p for p in parts_of(line.difference(beside)) if p.length > 250]
            joins = [p for p in parts_of(line.intersection(beside)) if p.length < 200]
            line = unary_union([*ends, *[j for j in joins if any(j.distance(e) < 0.1 for e in ends)]])
            line = linemerge(line) if isinstance(line, MultiLineString) else line
        for part in parts_of(line):
            if part.length > 250:
                foot = Point(part.coords[-1])
                main_water = min((river, tributary), key=foot.distance)
                if 1 < main_water.distance(foot) < 150:
                    on = main_water.interpolate(main_water.project(foot))
                    part = LineString([*part.coords, (on.x, on.y)])
                kept.append(part)
    streams = kept

    pieces = []
    for line, width, grow in ((river, 12.0, 5.0), (tributary, 4.5, 1.8)):
        stations = np.arange(0, line.length, 30.0)
        waver = np.interp(
            stations, np.arange(0, line.length + 400, 400), rng.uniform(-1, 1, int(line.length // 400) + 2)
        )
        for s, w in zip(stations, waver, strict=True):
            reach = shapely.ops.substring(line, s, s + 32)
            pieces.append(reach.buffer(width + grow * w, quad_segs=3))
    water = unary_union(pieces).buffer(6, quad_segs=3).buffer(-6, quad_segs=3).simplify(1.5)
    # an old loop that the river has left, and a pond behind an earth bank
    both = unary_union([river, tributary, *streams])
    oxbow = Polygon()
    for _ in range(4000):
        ox, turned = rng.uniform(-3300, 3300), rng.uniform(0, 2 * math.pi)
        middle = np.array([ox, valley_y(ox) + rng.uniform(-420, 420)])
        turns = turned + np.linspace(0, 1.25 * math.pi, 14)
        loop = LineString([middle + np.array([105 * math.cos(t), 80 * math.sin(t)]) for t in turns])
        if both.distance(loop) > 45 and river.distance(loop) < 90:
            oxbow = loop.buffer(11, quad_segs=3).simplify(1.0)
            break
    big = max(streams, key=lambda s: s.length)
    bank = np.array(big.interpolate(0.55, normalized=True).coords[0])
    ring = [
        bank + np.array([math.cos(t) * (70 + 22 * math.sin(3 * t + 1)), math.sin(t) * (48 + 14 * math.sin(2 * t))])
        for t in np.linspace(0, 2 * math.pi, 22)[:-1]
    ]
    pond = Polygon(chaikin(np.vstack([ring, ring[:1]]), 1)).buffer(0)
    gy, gx = np.gradient(z, CELL)
    return Land(
        z, np.hypot(gx, gy), np.arctan2(gy, gx), river.intersection(frame.buffer(60)),
        tributary.intersection(frame.buffer(60)), streams, unary_union([water, oxbow, pond]), pond, oxbow,
    )  # fmt: skip


def parts_of(shape: BaseGeometry) -> list[BaseGeometry]:
    """The single parts of a geometry, empty ones left out."""
    return [g for g in (shape.geoms if hasattr(shape, "geoms") else [shape]) if not g.is_empty]


# ---------------------------------------------------------------- villages, ways


@dataclass(frozen=True)
class Village:
    name: str
    prefix: str
    fields: int
    x: float
    y: float

    @property
    def reach(self) -> float:
        """Radius of the village's land [m] if half of it were fields of 0.55 ha."""
        return math.sqrt(self.fields * 5500 / 0.5 / math.pi)


def place_villages(land: Land, rng: np.random.Generator) -> list[Village]:
    """Large villages on gentle ground near water, small ones where room is left."""
    placed: list[Village] = []
    water = unary_union([land.river, land.tributary])
    for name, prefix, count in VILLAGES:
        small = count < 130
        best, best_score = None, -np.inf
        for _ in range(1500):
            x, y = rng.uniform(-HALF + 750, HALF - 750, 2)
            away = water.distance(Point(x, y))
            if away < 170:
                continue
            trial = Village(name, prefix, count, x, y)
            room = min((math.hypot(x - v.x, y - v.y) / (trial.reach + v.reach) for v in placed), default=2.0)
            if room < 0.84:
                continue
            edge = min(HALF - abs(x), HALF - abs(y)) / trial.reach
            if edge < 0.85:
                continue
            slope = float(sample(land.slope, x, y))
            wish = 900 if small else 380
            score = -abs(away - wish) / 500 - 14 * slope + min(room, 1.3) + 1.2 * min(edge, 1.0) + rng.normal(0, 0.35)
            if score > best_score:
                best, best_score = trial, score
        if best is None:
            raise SystemExit(f"no room for {name}")
        placed.append(best)
    return placed


class Router:
    """Cheapest ways over the grid, to 16 neighbours; ways once walked are cheaper to walk again."""

    def __init__(self, land: Land, rng: np.random.Generator) -> None:
        self.moves = [(r, c) for r in (-2, -1, 0, 1, 2) for c in (-2, -1, 0, 1, 2) if math.gcd(r, c) == 1]
        x, y = centres()
        self.x = x + rng.uniform(-9, 9, x.shape)
        self.y = y + rng.uniform(-9, 9, y.shape)
        transform = rasterio.transform.Affine(CELL, 0, EDGE, 0, CELL, EDGE)
        big = unary_union([land.river.buffer(26), land.tributary.buffer(16)])
        self.wet = rasterize([(big, 1)], (GRID, GRID), transform=transform, all_touched=True).astype(bool)
        little = rasterize([(s, 1) for s in land.streams], (GRID, GRID), transform=transform).astype(bool)
        still = rasterize([(land.pond.buffer(20), 1), (land.oxbow.buffer(15), 1)], (GRID, GRID), transform=transform)
        going = 1.0 + 0.32 * np.clip(smooth_noise(rng, 2.0, 500), -2, 2) * 0.8
        going = np.maximum(going, 0.35) + 1.6 * little + 12 * still.astype(bool)
        outside = (np.abs(x) > HALF) | (np.abs(y) > HALF)
        self.cost: list[list[float]] = []
        self.wet_step: list[np.ndarray] = []
        for dr, dc in self.moves:
            moved = (slice(max(dr, 0), GRID + min(dr, 0)), slice(max(dc, 0), GRID + min(dc, 0)))
            base = (slice(max(-dr, 0), GRID + min(-dr, 0)), slice(max(-dc, 0), GRID + min(-dc, 0)))
            cost = np.full((GRID, GRID), np.inf)
            length = np.hypot(self.x[moved] - self.x[base], self.y[moved] - self.y[base])
            grade = (land.z[moved] - land.z[base]) / length
            step = length * (1 + (grade / 0.085) ** 2) * (going[moved] + going[base]) / 2
            step = np.where(outside[moved] | outside[base], np.inf, step)
            cost[base] = step
            wet = np.zeros((GRID, GRID), bool)
            wet[base] = self.wet[moved] | self.wet[base]
            for part in (0.33, 0.67):
                rr = np.clip(np.round(np.arange(GRID)[:, None] + part * dr).astype(int), 0, GRID - 1)
                cc = np.clip(np.round(np.arange(GRID)[None, :] + part * dc).astype(int), 0, GRID - 1)
                wet |= self.wet[rr, cc]
            self.cost.append(cost.ravel().tolist())
            self.wet_step.append(wet.ravel())
        self.offsets = [dr * GRID + dc for dr, dc in self.moves]
        self.walked: dict[tuple[int, int], int] = {}  # edge -> rank of the way: 0 road, 1 track, 2 footpath
        self.wet_factor = 1.0

    def set_wading(self, factor: float) -> None:
        """How much dearer a step through the river is; steps on a crossing that exists keep their cost."""
        for m, (cost, wet) in enumerate(zip(self.cost, self.wet_step, strict=True)):
            for k in np.flatnonzero(wet):
                other = int(k) + self.offsets[m]
                if (min(k, other), max(k, other)) not in self.walked:
                    cost[k] *= factor / self.wet_factor
        self.wet_factor = factor

    def node(self, x: float, y: float) -> int:
        col = min(max(int((x - EDGE) / CELL), 0), GRID - 1)
        row = min(max(int((y - EDGE) / CELL), 0), GRID - 1)
        return row * GRID + col

    def search(self, start: int, goal: int | None, limit: float = np.inf) -> tuple[dict[int, float], dict[int, int]]:
        """Dijkstra from a node until the goal, or to the limit."""
        best, came, done = {start: 0.0}, {}, set()
        queue = [(0.0, start)]
        steps = list(zip(self.offsets, self.cost, strict=True))
        while queue:
            dist, k = heapq.heappop(queue)
            if k in done:
                continue
            done.add(k)
            if k == goal or dist > limit:
                break
            for offset, cost in steps:
                total = dist + cost[k]
                other = k + offset
                if total < best.get(other, np.inf):
                    best[other] = total
                    came[other] = k
                    heapq.heappush(queue, (total, other))
        return best, came

    def walk(self, start: int, goal: int, rank: int) -> list[int]:
        """Route and remember it: later routes prefer it."""
        _, came = self.search(start, goal)
        chain = [goal]
        while chain[-1] != start:
            if chain[-1] not in came:
                return []
            chain.append(came[chain[-1]])
        self.keep(chain, rank)
        return chain

    def keep(self, chain: list[int], rank: int) -> None:
        for a, b in pairwise(chain):
            edge = (min(a, b), max(a, b))
            fresh = edge not in self.walked
            self.walked[edge] = min(rank, self.walked.get(edge, 9))
            if fresh:
                length = math.hypot(self.x.flat[a] - self.x.flat[b], self.y.flat[a] - self.y.flat[b])
                for p, q in ((a, b), (b, a)):
                    self.cost[self.offsets.index(q - p)][p] = 0.42 * length


def route_ways(land: Land, villages: list[Village], router: Router, rng: np.random.Generator) -> None:
    """A road through the valley by the largest villages, then tracks between neighbours."""
    router.set_wading(34.0)
    stops = sorted(villages[:4], key=lambda v: v.x)
    west = min(
        np.arange(-3000, 3000, 60.0), key=lambda y: abs(y - stops[0].y) + 900 * sample(land.slope, -HALF + 60, y)
    )
    east = min(
        np.arange(-3000, 3000, 60.0), key=lambda y: abs(y - stops[-1].y) + 900 * sample(land.slope, HALF - 60, y)
    )
    chain = [(-HALF + 20, west), *[(v.x, v.y) for v in (*stops[:1], *stops[-2:])], (HALF - 20, east)]
    for a, b in pairwise(chain):
        router.walk(router.node(*a), router.node(*b), 0)
    graph = nx.Graph()
    for i, a in enumerate(villages):
        for j, b in enumerate(villages[:i]):
            graph.add_edge(i, j, weight=math.hypot(a.x - b.x, a.y - b.y))
    links = set(nx.minimum_spanning_tree(graph).edges)
    for i, j, data in sorted(graph.edges(data=True), key=lambda e: e[2]["weight"]):
        known = nx.Graph(list(links))
        known.add_nodes_from(graph)
        if data["weight"] < 3400 and (i, j) not in links and (j, i) not in links:
            short = nx.shortest_path_length(known, i, j) if nx.has_path(known, i, j) else 9
            if short >= 3:
                links.add((i, j))
    for i, j in sorted(links, key=lambda e: graph.edges[e]["weight"]):
        a, b = villages[i], villages[j]
        router.walk(router.node(a.x, a.y), router.node(b.x, b.y), 1)
    for v in villages:  # every village on the road or on a track
        router.walk(router.node(v.x, v.y), router.node(villages[0].x, villages[0].y), 1)
    for x, y in ((-HALF + 30, 3300), (1500, -HALF + 30), (HALF - 30, 3000)):  # tracks that leave the valley
        near = min(villages, key=lambda v: math.hypot(v.x - x, v.y - y))
        router.walk(router.node(x, y), router.node(near.x, near.y), 1)
    router.set_wading(6.0)  # two more crossings, where people of both banks have dealings
    water = unary_union([land.river, land.tributary])
    dry = [(a, b) for a in villages for b in villages if LineString([(a.x, a.y), (b.x, b.y)]).crosses(water)]
    crossed = {n for a, b in router.walked for n in (a, b) if router.wet.flat[n]}
    wet_xy = [(router.x.flat[n], router.y.flat[n]) for n in crossed]
    for _ in range(2):
        pairs = []
        for a, b in dry:
            middle = LineString([(a.x, a.y), (b.x, b.y)]).intersection(water).centroid
            lonely = min(math.hypot(middle.x - x, middle.y - y) for x, y in wet_xy)
            pairs.append((min(lonely, 2500) - 0.6 * math.hypot(a.x - b.x, a.y - b.y), a.name, b.name, a, b))
        *_, a, b = max(pairs, key=lambda p: p[:3])
        chain = router.walk(router.node(a.x, a.y), router.node(b.x, b.y), 1)
        wet_xy += [(router.x.flat[n], router.y.flat[n]) for n in chain if router.wet.flat[n]]
    router.set_wading(1e6)


def route_footpaths(
    land: Land, villages: list[Village], router: Router, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Footpaths from each village to its land. Returns whose land each cell is (-1 none) and how far [m of effort]."""
    best = np.full(GRID * GRID, np.inf)
    owner = np.full(GRID * GRID, -1)
    effort = np.full(GRID * GRID, np.inf)
    for v, village in enumerate(villages):
        reached, _ = router.search(router.node(village.x, village.y), None, 5200)
        keys, far = np.fromiter(reached.keys(), int), np.fromiter(reached.values(), float)
        straight = np.hypot(router.x.ravel()[keys] - village.x, router.y.ravel()[keys] - village.y)
        far = 0.45 * far + 0.55 * straight * np.where(far > 4.0 * straight + 500, 9, 1)
        scaled = far / village.reach
        nearer = scaled < best[keys]
        best[keys[nearer]] = scaled[nearer]
        owner[keys[nearer]] = v
        effort[keys[nearer]] = far[nearer]
    wild = smooth_noise(rng, 2.6, 900).ravel()
    wish = best * (1 + 0.26 * wild) + 5.0 * np.maximum(land.slope.ravel() - 0.05, 0)
    wish[router.wet.ravel()] = np.inf
    for v, village in enumerate(villages):
        cells = np.flatnonzero((owner == v) & np.isfinite(wish))
        need = int(village.fields * 5500 / 0.50 / CELL**2)
        cells = cells[np.argsort(wish[cells])][:need]
        strays = np.flatnonzero((owner == v) & (wish > 1.25) & (wish < 1.75) & (effort < 2300))
        extra = rng.choice(strays, min(len(strays), 2 if village.fields < 200 else 4), replace=False)
        xy = np.column_stack([router.x.ravel()[cells], router.y.ravel()[cells]])
        home = np.array([village.x, village.y])
        order = np.argsort(-np.hypot(*(xy - home).T) + rng.uniform(0, 500, len(xy)))
        walked = {k for edge in router.walked for k in edge}
        known = np.array([(router.x.flat[k], router.y.flat[k]) for k in walked])
        targets = [*[int(k) for k in extra], *[int(cells[k]) for k in order]]
        ends = []
        for k in targets:
            here = np.array([router.x.flat[k], router.y.flat[k]])
            if np.min(np.hypot(*(known - here).T)) < (215 if k not in extra else 120):
                continue
            chain = router.walk(k, router.node(*home), 2)
            if chain:
                known = np.vstack([known, np.column_stack([router.x.flat[chain], router.y.flat[chain]])])
                ends.append(k)
        for k in ends:  # some path ends are joined across to a neighbour's
            if rng.random() < 0.55:
                here = np.array([router.x.flat[k], router.y.flat[k]])
                others = [
                    e for e in ends if e != k and 150 < math.hypot(*(here - (router.x.flat[e], router.y.flat[e]))) < 620
                ]
                if others:
                    router.walk(k, others[int(rng.integers(len(others)))], 2)
    return owner.reshape(GRID, GRID), wish.reshape(GRID, GRID)


@dataclass(frozen=True)
class Way:
    line: LineString
    kind: str  # road, track, footpath
    crossing: str = ""  # bridge, ford, footbridge


def draw_ways(router: Router, land: Land, rng: np.random.Generator) -> list[Way]:
    """The walked grid edges as smooth lines between junctions; a piece of its own where a way crosses the river."""
    graph = nx.Graph()
    for (a, b), rank in router.walked.items():
        graph.add_edge(a, b, rank=rank)
    kinds = ("road", "track", "footpath")
    chains: list[tuple[list[int], int]] = []
    seen: set[tuple[int, int]] = set()
    ends = {n for n in graph if graph.degree(n) != 2 or len({d["rank"] for _, _, d in graph.edges(n, data=True)}) > 1}
    for start in sorted(ends):
        for nxt in sorted(graph[start]):
            if (min(start, nxt), max(start, nxt)) in seen:
                continue
            chain = [start, nxt]
            seen.add((min(start, nxt), max(start, nxt)))
            while chain[-1] not in ends:
                step = next(n for n in graph[chain[-1]] if n != chain[-2])
                seen.add((min(chain[-1], step), max(chain[-1], step)))
                chain.append(step)
            chains.append((chain, graph.edges[start, nxt]["rank"]))
    lines, ranks = [], []
    for chain, rank in chains:
        xy = np.column_stack([router.x.flat[chain], router.y.flat[chain]])
        line = LineString(xy).simplify(10)
        lines.append(LineString(chaikin(np.array(line.coords), 3)).simplify(1.2))
        ranks.append(rank)
    # node the crossings, and give every piece the rank of the line it came from
    noded = [p for p in parts_of(unary_union(lines)) if p.length > 0.5]
    tree = shapely.STRtree(lines)
    ranked = []
    for piece in noded:
        middle = piece.interpolate(0.5, normalized=True)
        near = [k for k in tree.query(middle.buffer(1.0)) if lines[k].distance(middle) < 0.05]
        ranked.append(min((ranks[k] for k in near), default=2))
    ways = []
    water = {"river": land.river, "tributary": land.tributary}
    made = defaultdict(int)
    for piece, rank in zip(noded, ranked, strict=True):
        spots = [p for line in water.values() for p in parts_of(piece.intersection(line))]
        if not spots:
            ways.append(Way(piece, kinds[rank]))
            continue
        over = unary_union([p.centroid.buffer(60 if p.distance(land.river) < 1 else 28) for p in spots])
        for part in parts_of(piece.difference(over)):
            ways.append(Way(part, kinds[rank]))
        for part in parts_of(piece.intersection(over)):
            if rank == 0:
                crossing = "bridge"
            else:
                crossing = ("ford", "bridge", "footbridge")[made["other"] % 3]
                made["other"] += 1
            ways.append(Way(part, "footpath" if crossing == "footbridge" else kinds[rank], crossing))
    return ways


# ---------------------------------------------------------------- houses, trees, fields


def make_houses(
    villages: list[Village], ways: list[Way], land: Land, rng: np.random.Generator
) -> list[tuple[Polygon, int, bool]]:
    """House footprints (shape, village, thatched), in yards strung along the ways near each village's middle."""
    tree = shapely.STRtree([w.line for w in ways])
    reach = {"road": 13.0, "track": 9.0, "footpath": 5.0}
    houses: list[tuple[Polygon, int, bool]] = []
    for v, village in enumerate(villages):
        yards: list[tuple[float, float]] = []
        wanted = int(village.fields * 0.17) + 6
        spread = 38 * math.sqrt(wanted) * 0.75
        tries = 0
        while len(yards) < wanted and tries < 9000:
            tries += 1
            far = abs(rng.normal(0, spread)) if rng.random() < 0.93 else rng.uniform(spread, 0.8 * village.reach)
            angle = rng.uniform(0, 2 * math.pi)
            x, y = village.x + far * math.cos(angle), village.y + far * math.sin(angle)
            here = Point(x, y)
            if land.water.distance(here) < 60 or any(math.hypot(x - a, y - b) < 33 for a, b in yards):
                continue
            near = ways[int(tree.nearest(here))]
            gap = near.line.distance(here) - reach[near.kind]
            if gap < 9 or rng.random() > math.exp(-(gap - 9) / 45):
                continue
            if float(sample(land.slope, x, y)) > 0.14:
                continue
            yards.append((x, y))
            on = near.line.interpolate(near.line.project(here))
            facing = math.atan2(here.y - on.y, here.x - on.x)
            for k in range(int(rng.integers(1, 5))):
                turn = facing + k * math.pi / 2 + rng.normal(0, 0.12)
                out = 0 if k == 0 else rng.uniform(8, 12)
                cx, cy = x + out * math.cos(turn), y + out * math.sin(turn)
                round_hut = rng.random() < 0.28
                if round_hut:
                    shape = Point(cx, cy).buffer(rng.uniform(2.2, 3.2), quad_segs=2)
                else:
                    w, h = rng.uniform(4.5, 9.5), rng.uniform(3.5, 6)
                    shape = shapely.affinity.rotate(
                        box(cx - w / 2, cy - h / 2, cx + w / 2, cy + h / 2), facing, use_radians=True
                    )
                around = tree.query(shape.buffer(14))
                if any(ways[q].line.distance(shape) < reach[ways[q].kind] - 1 for q in around):
                    continue
                houses.append((shape, v, bool(round_hut or rng.random() < 0.22)))
    return houses


def make_forest(land: Land, wish: np.ndarray, rng: np.random.Generator) -> list[Polygon]:
    """Woodland on steep and far ground, and a broken fringe along the river."""
    x, y = centres()
    points = shapely.points(x.ravel(), y.ravel())
    shapely.prepare(land.water)
    near_water = shapely.distance(land.water, points).reshape(x.shape)
    far = np.clip(np.where(np.isfinite(wish), wish, 0.5), 0, 2.2)
    score = (
        1.05 * smooth_noise(rng, 2.7, 1300)
        + 0.3 * smooth_noise(rng, 1.8, 320)
        + 9 * (land.slope - 0.07)
        + 1.3 * (far - 1.15)
    )
    fringe = np.where((near_water < 55) & (near_water > 4), 0.45 + smooth_noise(rng, 1.8, 400), -9)
    score = blur(score, 1)
    mask = (score > np.quantile(score, 0.86)) | (fringe > 1.05)
    mask &= near_water > 3
    transform = rasterio.transform.Affine(CELL, 0, EDGE, 0, CELL, EDGE)
    patches = []
    for shape, value in shapes(mask.astype(np.uint8), mask, transform=transform):
        if value != 1:
            continue
        patch = shapely.geometry.shape(shape).buffer(14).buffer(-24).buffer(10)
        for part in parts_of(patch.simplify(14)):
            if part.area < 4500:
                continue
            ring = Polygon(
                chaikin(np.array(part.exterior.coords), 2),
                [chaikin(np.array(h.coords), 2) for h in part.interiors if Polygon(h).area > 3000],
            )
            part = (
                ring.buffer(0)
                .simplify(2.5)
                .intersection(box(-HALF, -HALF, HALF, HALF))
                .difference(land.water.buffer(3))
            )
            patches += [p for p in parts_of(part) if p.geom_type == "Polygon" and p.area > 3500]
    return patches


def cut(piece: Polygon, target: float, angle: float, rng: np.random.Generator, out: list[Polygon]) -> None:
    """Split a piece of land again and again until its parts are about as large as wanted [m2].

    `angle` is the direction of the furrows; parts become strips along it. Cuts are a little crooked.
    """
    if piece.area < min(target * rng.uniform(1.15, 1.9), 24500):
        out.append(piece)
        return
    middle = piece.centroid
    level = shapely.affinity.rotate(piece, -angle, origin=middle, use_radians=True)
    x0, y0, x1, y1 = level.bounds
    long, wide = x1 - x0, y1 - y0
    across = long > 2.3 * wide or (long > 1.25 * wide and rng.random() < 0.35)
    share = rng.uniform(0.36, 0.64)
    if across:
        at = x0 + share * long
        line = [
            (at, y0 - 5),
            (at + rng.normal(0, 0.03) * wide, (y0 + y1) / 2),
            (at + rng.normal(0, 0.07) * wide, y1 + 5),
        ]
    else:
        at = y0 + share * wide
        line = [
            (x0 - 5, at),
            ((x0 + x1) / 2, at + rng.normal(0, 0.03) * long),
            (x1 + 5, at + rng.normal(0, 0.06) * long),
        ]
    blade = shapely.affinity.rotate(LineString(line), angle, origin=middle, use_radians=True)
    for part in parts_of(split(piece, blade)):
        cut(part, target, angle + rng.normal(0, 0.03), rng, out)


def scatter(rng: np.random.Generator, spacing: float, count: int) -> np.ndarray:
    """Points over the square no closer than about `spacing`, unevenly."""
    cells: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    kept = []
    for x, y in rng.uniform(-HALF, HALF, (count, 2)):
        key = (int(x // spacing), int(y // spacing))
        near = [p for i in (-1, 0, 1) for j in (-1, 0, 1) for p in cells[key[0] + i, key[1] + j]]
        if all(math.hypot(x - a, y - b) > spacing * rng.uniform(0.6, 1.1) for a, b in near):
            cells[key].append((x, y))
            kept.append((x, y))
    return np.array(kept)


@dataclass(frozen=True)
class Parcel:
    shape: BaseGeometry
    village: int
    rank: float  # the lower, the sooner under the plough
    far_m: float


def make_parcels(
    land: Land, villages: list[Village], ways: list[Way], houses: list[tuple[Polygon, int, bool]],
    forest: list[Polygon], owner: np.ndarray, wish: np.ndarray, rng: np.random.Generator,
) -> list[Parcel]:  # fmt: skip
    """All land that could be ploughed, cut into parcels along the ways."""
    half = {"road": 7.0, "track": 3.5, "footpath": 1.5}
    verge = unary_union([w.line.buffer(half[w.kind], quad_segs=1, cap_style="flat") for w in ways])
    yards = unary_union([h.buffer(40, quad_segs=2) for h, _, _ in houses]).buffer(-25, quad_segs=2).simplify(4)
    banks = unary_union([land.water.buffer(14), *[s.buffer(6, quad_segs=1) for s in land.streams]]).simplify(2)
    closed = unary_union([verge, yards, banks, *[f.buffer(4) for f in forest]])
    frame = box(-HALF + 60, -HALF + 60, HALF - 60, HALF - 60)
    seeds = scatter(rng, 235.0, 14000)
    blocks = parts_of(shapely.voronoi_polygons(MultiPoint(seeds), extend_to=frame))
    blocks = [
        b for b in blocks if np.isfinite(sample(np.where(np.isfinite(wish), wish, 3), b.centroid.x, b.centroid.y))
    ]
    lines = [w.line for w in ways]
    tree = shapely.STRtree(lines)
    pieces: list[Polygon] = []
    # the ways, banks and yards cut the blocks; what is left of a block is one furlong
    parts = parts_of(closed)
    lookup = shapely.STRtree(parts)
    for block in blocks:
        near = [parts[k] for k in lookup.query(block)]
        left = block.intersection(frame)
        for p in near:
            left = left.difference(p)
        pieces += [p for p in parts_of(left.buffer(-1.2).buffer(1.2, join_style="mitre")) if p.geom_type == "Polygon"]
    grown = smooth_noise(rng, 2.2, 700)
    gaps = smooth_noise(rng, 1.9, 450)
    parcels = []
    for piece in pieces:
        if piece.area < 900:
            continue
        middle = piece.representative_point()
        near = lines[int(tree.nearest(middle))]
        at = near.project(middle)
        a, b = near.interpolate(max(at - 15, 0)), near.interpolate(at + 15)
        run = math.atan2(b.y - a.y, b.x - a.x)
        if near.distance(middle) < 170:
            angle = run + math.pi / 2  # furrows run back from the way
        else:
            angle = float(sample(land.aspect, middle.x, middle.y)) + math.pi / 2  # along the contour
        angle += rng.normal(0, 0.12)
        bigger = math.exp(0.38 * float(sample(grown, middle.x, middle.y)))
        target = 6900 * bigger * math.exp(rng.normal(0, 0.3))
        found: list[Polygon] = []
        cut(piece, min(max(target, 1700), 19000), angle, rng, found)
        for part in found:
            if part.area < 950:
                continue
            c = part.representative_point()
            v = int(owner[router_cell(c.y), router_cell(c.x)])
            value = float(sample(np.where(np.isfinite(wish), wish, 3.0), c.x, c.y))
            if v < 0 or value > 2.6:
                continue
            way = lines[int(tree.nearest(c))].distance(part)
            steep = float(sample(land.slope, c.x, c.y))
            rank = value + 0.9 * max(way - 130, 0) / 300 + 6 * max(steep - 0.09, 0) + rng.normal(0, 0.03)
            rank += 0.9 * max(float(sample(gaps, c.x, c.y)) - 1.05, 0)
            far = math.hypot(c.x - villages[v].x, c.y - villages[v].y)
            parcels.append(Parcel(part, v, rank, far))
    return parcels


def router_cell(value: float) -> int:
    """Row or column of a coordinate."""
    return min(max(int((value - EDGE) / CELL), 0), GRID - 1)


def finish_shape(shape: Polygon, rng: np.random.Generator) -> BaseGeometry:
    """A parcel as a surveyor walks it: a hedge or a balk left out, corners a little off."""
    inset = rng.uniform(0.3, 1.6) if rng.random() < 0.65 else 0.0
    if inset:
        shape = shape.buffer(-inset, join_style="mitre")
    shape = shape.simplify(rng.uniform(0.8, 1.8))
    shape = max(parts_of(shape), key=lambda g: g.area, default=Polygon())
    if len(shape.exterior.coords) < 4 if not shape.is_empty else True:
        return Polygon()
    ring = np.array(shape.exterior.coords[:-1])
    ring = ring + rng.normal(0, 0.35, ring.shape)
    mended = Polygon(ring).buffer(0)
    return max(parts_of(mended), key=lambda g: g.area, default=Polygon())


def blob(x: float, y: float, radius: float, rng: np.random.Generator) -> Polygon:
    """A small irregular round: a clump of trees, a well with its trampled ground."""
    turns = np.linspace(0, 2 * math.pi, 9)[:-1]
    return Polygon(
        [
            (x + radius * rng.uniform(0.8, 1.2) * math.cos(t), y + radius * rng.uniform(0.8, 1.2) * math.sin(t))
            for t in turns
        ]
    )


# ---------------------------------------------------------------- the survey


def choose_fields(
    parcels: list[Parcel], villages: list[Village], rng: np.random.Generator
) -> tuple[list[Parcel], list[Parcel]]:
    """The fields of each village, best land first, and the parcels left over (near ones first)."""
    chosen, left = [], []
    for v, village in enumerate(villages):
        own = sorted((p for p in parcels if p.village == v), key=lambda p: p.rank)
        far = [p for p in own if max(1.15 * village.reach, 900) < p.far_m < 2400 and p.rank < 2.3]
        stray = set()
        if far:  # a few outfields, in twos and threes
            for _ in range(max(1, village.fields // 110)):
                seat = far[int(rng.integers(len(far)))].shape.centroid
                near = sorted(far, key=lambda p: p.shape.centroid.distance(seat))[: int(rng.integers(2, 6))]
                stray |= {id(p) for p in near}
        outfield = [p for p in own if id(p) in stray]
        body = [p for p in own if id(p) not in stray]
        kept = [p for p in body[: int((village.fields - len(outfield)) * 1.06) + 1] if rng.random() > 0.055]
        kept = kept[: village.fields - len(outfield)]
        names = {id(p) for p in kept} | stray
        chosen += kept + outfield
        left += [p for p in body if id(p) not in names]
    return chosen, left


def crop_mixture(fields: list[BaseGeometry], owner: list[int], villages: list[Village], land: Land, rng) -> list[str]:
    """A crop for each field: each village has its own leaning, neighbours tend to grow the same, rice by the river."""
    names = list(CROPS)
    leaning = {
        "Veshmarra": (3.0, 0.6, 0.1, 0.9, 0.5, 1.2, 1.6, 0.6), "Olquint": (1.6, 0.5, 0.2, 0.7, 0.3, 0.3, 4.2, 1.1),
        "Tammerlo": (2.6, 1.0, 0.2, 1.5, 1.0, 0.8, 0.8, 1.2), "Quillasp": (1.0, 2.2, 1.2, 0.9, 0.4, 0.3, 1.2, 0.8),
        "Nephirra": (1.2, 0.7, 0.2, 0.6, 0.4, 1.6, 2.4, 2.0), "Ishbrel": (0.7, 1.6, 2.6, 1.4, 0.2, 0.2, 0.2, 0.9),
        "Brundole": (1.6, 0.5, 0.2, 0.8, 2.6, 0.3, 0.5, 0.9), "Yandrivo": (0.8, 0.9, 0.5, 0.7, 0.3, 0.3, 1.0, 3.0),
        "Uskemmar": (0.5, 2.4, 2.2, 1.3, 0.2, 0.2, 0.1, 0.3), "Fennoquay": (2.0, 0.3, 0.1, 0.8, 0.3, 1.4, 2.2, 0.4),
        "Pelloriv": (0.7, 0.8, 1.6, 2.6, 0.6, 0.2, 0.2, 0.8), "Zhantoque": (0.8, 1.4, 1.0, 0.6, 1.6, 0.2, 0.6, 1.0),
    }  # fmt: skip
    patch = {name: smooth_noise(rng, 2.2, 650) for name in names}
    result = []
    for shape, v in zip(fields, owner, strict=True):
        c = shape.centroid
        water = min(land.river.distance(c), land.tributary.distance(c) + 60)
        steep = float(sample(land.slope, c.x, c.y))
        score = []
        for name, weight in zip(names, leaning[villages[v].name], strict=True):
            value = math.log(weight) + 0.85 * float(sample(patch[name], c.x, c.y)) + rng.gumbel(0, 0.55)
            if name == "rice":
                value += 1.4 if water < 130 else 0.3 if water < 240 else -9
                value -= 25 * max(steep - 0.03, 0)
            if name == "cotton":
                value -= 12 * max(steep - 0.05, 0)
            if name in ("pearl_millet", "sorghum"):
                value += 9 * max(steep - 0.04, 0)
            score.append(value)
        result.append(names[int(np.argmax(score))])
    return result


def day(text: str, shift: float = 0) -> date:
    return date(YEAR, int(text[:2]), int(text[3:])) + timedelta(days=round(shift))


def make_survey(
    shapes_: list[BaseGeometry], owner: list[int], far: list[float], villages, land: Land, rng
) -> pd.DataFrame:
    """The survey form of every field, as it would be if nobody made a mistake."""
    crops = crop_mixture(shapes_, owner, villages, land, rng)
    soil = smooth_noise(rng, 2.2, 900)
    giving = {
        v.name: s
        for v, s in zip(villages, (0.75, 0.8, 0.7, 0.6, 0.8, 0.45, 0.65, 0.7, 0.4, 0.7, 0.35, 0.5), strict=True)
    }
    late = {v.name: rng.uniform(-4, 5) for v in villages}
    grazing = {v.name: s for v, s in zip(villages, (0, 0, 0, -10, 0, -28, 0, 0, -30, 0, -25, -12), strict=True)}
    counts: dict[str, int] = defaultdict(int)
    rows = []
    for shape, v, crop, distance in zip(shapes_, owner, crops, far, strict=True):
        village = villages[v]
        mean, spread, start, takes, clear, words = CROPS[crop]
        c = shape.centroid
        low = (float(sample(land.z, c.x, c.y)) - 900) / 100
        rich = 0.22 * float(sample(soil, c.x, c.y)) - 0.15 * distance / 1500
        crop_yield = mean * math.exp(rich + rng.normal(0, spread * 0.7) + 0.1)
        begun = day(start, late[village.name] + takes * 0.45 * rng.random() + 3 * low + rng.normal(0, 2))
        ended = begun + timedelta(days=int(rng.integers(2, 6) + round(6 * math.sqrt(shape.area / 1e4) * rng.random())))
        counts[village.prefix] += 1
        promised = min(max(round((giving[village.name] + rng.normal(0, 0.13)) * 10) / 10, 0.2), 1.0)
        rows.append(
            {
                "plot_no": f"{village.prefix}-{counts[village.prefix]:03d}",
                "hamlet": village.name,
                "farmer": "".join(chr(65 + int(k)) + "." for k in rng.integers(0, 26, 2)),
                "main_crop": words[0] if rng.random() < 0.7 else words[int(rng.integers(len(words)))],
                "yield_t": round(crop_yield, 2),
                "reaped_from": begun,
                "reaped_to": ended,
                "free_until": day(clear, grazing[village.name] + 7 * int(rng.integers(-2, 3)))
                if rng.random() < 0.7
                else None,
                "promised": promised,
                "agrees": "no" if rng.random() < 0.018 else "yes",
                "remark": "",
            }
        )
        if rows[-1]["free_until"] is not None and rows[-1]["free_until"] < ended + timedelta(days=21):
            rows[-1]["free_until"] = ended + timedelta(days=28)
    table = pd.DataFrame(rows)
    table["geometry"] = shapes_
    return table


def add_faults(table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """The faults that surveys have: no yield, fallow, crossed outlines, doubles, missing shapes, slips of the pen."""
    table = table.copy()
    count = len(table)
    pick = lambda n: rng.choice(count, n, replace=False)  # noqa: E731
    table.loc[pick(int(0.03 * count)), "yield_t"] = np.nan
    for k in pick(int(0.02 * count)):
        table.loc[k, ["main_crop", "remark"]] = ["fallow", "resting this year"]
        table.loc[k, "yield_t"] = np.nan
        table.loc[k, ["reaped_from", "reaped_to", "free_until"]] = None
    for k in pick(6):
        table.loc[k, ["main_crop", "remark"]] = ["garden", "vegetables"]
    for k in pick(5):
        table.loc[k, ["main_crop", "remark"]] = ["", "nobody at home"]
    for k, word in zip(pick(3), ("miaze", "sorgum", "cottn"), strict=True):
        table.loc[k, "main_crop"] = word
    for k in pick(4):  # end before beginning
        first = table.loc[k, "reaped_from"]
        if first is not None:
            table.loc[k, "reaped_to"] = first - timedelta(days=9)
    k = int(pick(1)[0])
    table.loc[k, ["yield_t", "remark"]] = [38.0, "bags, not tonnes?"]
    bad = [k for k in pick(80) if len(table.geometry[k].geoms if hasattr(table.geometry[k], "geoms") else [0]) == 1]
    made = 0
    for k in bad:  # two corners noted in the wrong order
        ring = list(table.geometry[k].exterior.coords[:-1])
        if len(ring) < 5 or made >= 0.01 * count:
            continue
        at = int(rng.integers(1, len(ring) - 2))
        ring[at], ring[at + 1] = ring[at + 1], ring[at]
        crossed = Polygon(ring)
        if not crossed.is_valid:
            table.at[k, "geometry"] = crossed
            made += 1
    for k in pick(7):
        table.at[k, "geometry"] = None
        table.loc[k, "remark"] = "shape lost, walk again"
    doubles = table.iloc[np.sort(pick(6))].copy()
    doubles["remark"] = "entered again"
    return pd.concat([table, doubles], ignore_index=True)


def a_month_on(
    clean: pd.DataFrame, faulty: pd.DataFrame, spare: list[Parcel], villages: list[Village], land: Land, rng
) -> pd.DataFrame:
    """The survey a month later: new fields, earlier harvests, mended words, and fields split, joined and redrawn."""
    table = faulty.iloc[: len(clean)].copy()
    count = len(table)
    lost = table.geometry.isna()
    table.loc[lost, "geometry"] = clean.geometry[lost]
    table.loc[lost, "remark"] = "walked again"
    for k in range(count):  # the words that the first survey got wrong
        if table.main_crop[k] in ("miaze", "sorgum", "cottn", ""):
            table.loc[k, ["main_crop", "remark"]] = [clean.main_crop[k], "corrected"]
    early = rng.choice(np.flatnonzero(table.hamlet.isin(["Veshmarra", "Tammerlo", "Fennoquay"])), 140, replace=False)
    for k in early:
        if table.reaped_from[k] is not None and table.reaped_to[k] is not None:
            shift = timedelta(days=int(rng.integers(6, 15)))
            table.at[k, "reaped_from"] = table.reaped_from[k] - shift
            table.at[k, "reaped_to"] = table.reaped_to[k] - shift
            table.loc[k, "remark"] = "reaped early"
    for k in rng.choice(count, 30, replace=False):
        if table.main_crop[k] in ("sorghum", "millet", "maize"):
            other = {"sorghum": "millet", "millet": "sorghum", "maize": "sunflower"}[table.main_crop[k]]
            table.loc[k, ["main_crop", "remark"]] = [other, "crop corrected"]
    for k in rng.choice(count, 25, replace=False):
        table.loc[k, ["agrees", "remark"]] = ["no", "changed their mind"]
    drop = set(rng.choice(count, 14, replace=False).tolist())
    extra = []
    for k in rng.choice(count, 60, replace=False):  # split between heirs
        shape = table.geometry[k]
        if len(extra) >= 16 or shape.geom_type != "Polygon" or not shape.is_valid or shape.area < 9000 or k in drop:
            continue
        halves: list[Polygon] = []
        box_ = shape.minimum_rotated_rectangle
        edge = np.diff(np.array(box_.exterior.coords)[:2], axis=0)[0]
        cut(shape, shape.area / 1.9, math.atan2(edge[1], edge[0]), rng, halves)
        if len(halves) == 2:
            for half, tail in zip(halves, "ab", strict=True):
                row = table.loc[k].copy()
                row["plot_no"], row["geometry"], row["remark"] = f"{row['plot_no']}{tail}", half, "divided"
                extra.append(row)
            drop.add(int(k))
    for k in rng.choice(count, 20, replace=False):  # walked again, a little differently
        shape = table.geometry[k]
        if k not in drop and shape.geom_type == "Polygon" and shape.is_valid:
            again = shape.buffer(float(rng.choice([-4, 3])), join_style="mitre").simplify(1)
            if again.geom_type == "Polygon" and not again.is_empty:
                table.at[k, "geometry"] = translate(again, *rng.normal(0, 1.5, 2))
                table.loc[k, "remark"] = "walked again"
    table = table.drop(index=sorted(drop))
    wanted = {"Veshmarra": 9, "Olquint": 6, "Ishbrel": 22, "Zhantoque": 14, "Yandrivo": 9}
    shapes_, owner, far = [], [], []
    for name, number in wanted.items():
        v = next(i for i, village in enumerate(villages) if village.name == name)
        pool = sorted((p for p in spare if p.village == v), key=lambda p: p.rank)[: number * 3]
        for q in rng.choice(len(pool), min(number, len(pool)), replace=False):
            shape = finish_shape(pool[q].shape, rng)
            if not shape.is_empty:
                shapes_.append(shape)
                owner.append(v)
                far.append(pool[q].far_m)
    fresh = make_survey(shapes_, owner, far, villages, land, rng)
    fresh["plot_no"] = [f"{n.split('-')[0]}-{800 + i}" for i, n in enumerate(fresh.plot_no)]
    fresh["remark"] = "new"
    return pd.concat([table, pd.DataFrame(extra), fresh], ignore_index=True)


# ---------------------------------------------------------------- writing


def to_degrees(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Plane to longitude and latitude, rounded to a millionth of a degree (about 0.1 m)."""
    moved = frame.set_crs(PLANE, allow_override=True).to_crs("EPSG:4326")
    shapes_ = shapely.transform(moved.geometry.values, lambda xy: np.round(xy, 6))
    return moved.set_geometry(gpd.GeoSeries(shapes_, index=moved.index, crs="EPSG:4326"))


def write(frame: pd.DataFrame, path: Path, layer: str, kind: str) -> None:
    """One layer of a GeoPackage, without a spatial index (small files)."""
    data = to_degrees(gpd.GeoDataFrame(frame, geometry="geometry", crs=PLANE))
    for column in ("reaped_from", "reaped_to", "free_until"):
        if column in data:
            data[column] = pd.to_datetime(data[column]).astype("datetime64[ms]")
            data[column] = data[column].dt.strftime("%Y-%m-%d").astype(object).where(data[column].notna(), None)
    pyogrio.write_dataframe(
        data,
        path,
        layer=layer,
        driver="GPKG",
        geometry_type=kind,
        SPATIAL_INDEX="NO",
        promote_to_multi=False,
        append=path.exists(),
    )


def write_relief(land: Land, path: Path) -> None:
    """Heights every 0.0003 degrees (about 31 x 33 m), 300 x 300, to a quarter of a metre."""
    n, step = 300, 0.0003
    west, north = round(LON0 - n * step / 2, 6), round(LAT0 + n * step / 2, 6)
    lon, lat = np.meshgrid(west + step * (np.arange(n) + 0.5), north - step * (np.arange(n) + 0.5))
    points = gpd.GeoSeries(shapely.points(lon.ravel(), lat.ravel()), crs="EPSG:4326").to_crs(PLANE)
    z = sample(land.z, points.x.to_numpy(), points.y.to_numpy()).reshape(n, n)
    with rasterio.open(
        path, "w", driver="GTiff", width=n, height=n, count=1, dtype="float32", crs="EPSG:4326",
        transform=from_origin(west, north, step, step), compress="deflate", predictor=3, zlevel=9,
    ) as out:  # fmt: skip
        out.write((np.round(z * 4) / 4).astype("float32"), 1)
        out.set_band_description(1, "height above sea level [m], invented")


@dataclass(frozen=True)
class Demo:
    """Everything made, on the plane; for previews."""

    land: Land
    villages: list[Village]
    ways: list[Way]
    houses: list[tuple[Polygon, int, bool]]
    forest: list[Polygon]
    survey: pd.DataFrame
    later: pd.DataFrame
    clean: pd.DataFrame


def make_fields(
    chosen: list[Parcel], villages: list[Village], rng
) -> tuple[list[BaseGeometry], list[int], list[float]]:
    """Final outlines; a few with holes, a few in two parts."""
    shapes_: list[BaseGeometry] = []
    owner, far = [], []
    for parcel in chosen:
        shape = finish_shape(parcel.shape, rng)
        if shape.is_empty or shape.area < 850:
            continue
        shapes_.append(shape)
        owner.append(parcel.village)
        far.append(parcel.far_m)
    large = [k for k, s in enumerate(shapes_) if s.area > 8000]
    made = 0
    for k in rng.permutation(large):
        radius = rng.uniform(7, 13)
        room = shapes_[k].buffer(-radius * 1.5)
        if room.is_empty or made >= 18:
            continue
        c = room.representative_point()
        shapes_[k] = shapes_[k].difference(blob(c.x, c.y, radius, rng))
        made += 1
    tree = shapely.STRtree(shapes_)
    gone: set[int] = set()
    made = 0
    for k in rng.permutation(len(shapes_)):  # one field on two sides of a path
        if made >= 14 or k in gone or shapes_[k].area > 5000:
            continue
        near = [q for q in tree.query(shapes_[k].buffer(14)) if q != k and q not in gone and owner[q] == owner[k]]
        near = [q for q in near if 3.0 < shapes_[k].distance(shapes_[q]) < 14 and shapes_[q].area < 5000]
        if near:
            parts = [*parts_of(shapes_[k]), *parts_of(shapes_[near[0]])]
            shapes_[k] = MultiPolygon(parts)
            gone |= {near[0], int(k)}
            owner[near[0]] = -1
            made += 1
    keep = [k for k in range(len(shapes_)) if owner[k] >= 0]

    def round_walked(k: int) -> tuple[int, int, float]:
        """Plots are numbered as the surveyor walked: village by village, out along one sector after another."""
        village, c = villages[owner[k]], shapes_[k].centroid
        sector = int((math.atan2(c.y - village.y, c.x - village.x) + math.pi) / (2 * math.pi) * 14)
        return owner[k], sector, math.hypot(c.x - village.x, c.y - village.y)

    keep.sort(key=round_walked)
    return [shapes_[k] for k in keep], [owner[k] for k in keep], [far[k] for k in keep]


def prune(ways: list[Way], fields: list[BaseGeometry], villages: list[Village]) -> list[Way]:
    """Drop footpaths that lead to no field: those the network can do without, then dead ends."""
    tree = shapely.STRtree([*fields, *[Point(v.x, v.y).buffer(60) for v in villages]])
    graph = nx.MultiGraph()
    key = lambda p: (round(p[0], 2), round(p[1], 2))  # noqa: E731
    for i, w in enumerate(ways):
        graph.add_edge(key(w.line.coords[0]), key(w.line.coords[-1]), key=i)
    useless = {i for i, w in enumerate(ways) if w.kind == "footpath" and not len(tree.query(w.line, "dwithin", 45))}
    for u, v, i in sorted(graph.edges(keys=True), key=lambda e: -ways[e[2]].line.length):
        if i in useless:
            graph.remove_edge(u, v, i)
            if not nx.has_path(graph, u, v):
                graph.add_edge(u, v, key=i)
    while True:
        ends = [
            (u, v, i) for u, v, i in graph.edges(keys=True) if i in useless and 1 in (graph.degree(u), graph.degree(v))
        ]
        if not ends:
            return [ways[i] for i in sorted(i for _, _, i in graph.edges(keys=True))]
        graph.remove_edges_from(ends)


def cut_off_part(ways: list[Way], fields: list[BaseGeometry], rng: np.random.Generator) -> list[Way]:
    """Take 60 m out of one footpath, so that a corner of the network hangs on nothing; nudge a few ends off."""
    graph = nx.Graph()
    key = lambda p: (round(p[0], 2), round(p[1], 2))  # noqa: E731
    for i, w in enumerate(ways):
        graph.add_edge(key(w.line.coords[0]), key(w.line.coords[-1]), way=i)
    tree = shapely.STRtree(fields)
    best, best_score = None, -1.0
    for a, b in list(nx.bridges(graph)):
        i = graph.edges[a, b]["way"]
        if ways[i].kind != "footpath" or ways[i].line.length < 110:
            continue
        trial = graph.copy()
        trial.remove_edge(a, b)
        small = min(nx.connected_components(trial), key=len)
        length = sum(ways[d["way"]].line.length for _, _, d in graph.subgraph(small).edges(data=True))
        if 350 < length < 900:
            spots = unary_union([Point(n) for n in small]).convex_hull.buffer(60)
            score = len(tree.query(spots)) + 0.001 * length
            if score < 32 and score > best_score:
                best, best_score = i, score
    ways = list(ways)
    if best is not None:
        line = ways[best].line
        middle = line.length / 2
        a, b = shapely.ops.substring(line, 0, middle - 28), shapely.ops.substring(line, middle + 28, line.length)
        ways[best] = Way(a, "footpath")
        ways.append(Way(b, "footpath"))
    dead = [i for i, w in enumerate(ways) if w.kind == "footpath" and w.line.length > 60]
    for i in rng.choice(dead, 5, replace=False):  # a receiver's error at a junction: 2 to 4 m short
        shorter = shapely.ops.substring(ways[i].line, 0, ways[i].line.length - rng.uniform(2, 4))
        ways[i] = Way(shorter, ways[i].kind, ways[i].crossing)
    return ways


def grow(seed: int = SEED, say=print) -> Demo:
    """Grow the valley and survey it."""
    streams = np.random.SeedSequence(seed).spawn(10)
    rng = [np.random.default_rng(s) for s in streams]
    say("relief and water")
    land = make_land(rng[0])
    villages = place_villages(land, rng[1])
    say("ways")
    router = Router(land, rng[2])
    route_ways(land, villages, router, rng[2])
    owner, wish = route_footpaths(land, villages, router, rng[3])
    ways = draw_ways(router, land, rng[3])
    say("houses, trees, fields")
    houses = make_houses(villages, ways, land, rng[4])
    forest = make_forest(land, wish, rng[5])
    parcels = make_parcels(land, villages, ways, houses, forest, owner, wish, rng[6])
    chosen, left = choose_fields(parcels, villages, rng[7])
    shapes_, whose, far = make_fields(chosen, villages, rng[7])
    ploughed = unary_union([s.buffer(2) for s in shapes_])
    forest = [p for f in forest for p in parts_of(f.difference(ploughed)) if p.area > 2500]
    ways = cut_off_part(prune(ways, shapes_, villages), shapes_, rng[8])
    say("survey")
    clean = make_survey(shapes_, whose, far, villages, land, rng[8])
    survey = add_faults(clean, rng[8])
    left.sort(key=lambda p: p.rank)
    later = a_month_on(clean, survey, left, villages, land, rng[9])
    return Demo(land, villages, ways, houses, forest, survey, later, clean)


def place_workshop(demo: Demo) -> Point:
    """Beside the road, where it comes nearest to the middle of all fields, and clear of houses."""
    whole = sum(v.fields for v in demo.villages)
    middle = Point(*(sum(getattr(v, axis) * v.fields for v in demo.villages) / whole for axis in "xy"))
    road = unary_union([w.line for w in demo.ways if w.kind == "road" and not w.crossing])
    taken = unary_union([*(h for h, _, _ in demo.houses), demo.land.water, *demo.forest]).buffer(20)
    free = road.buffer(18).difference(road.buffer(12)).difference(taken)
    return shapely.ops.nearest_points(free, middle)[0]


def save(demo: Demo, folder: Path) -> None:
    """Write the layers. season.toml is written by hand and left alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("survey.gpkg", "second_survey.gpkg", "land.gpkg", "houses.gpkg", "relief.tif"):
        (folder / name).unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{YEAR}-04-12T00:00:00.000Z"})  # same bytes every time
    land = demo.land
    write(demo.survey, folder / "survey.gpkg", "fields", "Unknown")
    write(demo.later, folder / "second_survey.gpkg", "fields", "Unknown")
    hamlets = {"hamlet": [v.name for v in demo.villages], "geometry": [Point(v.x, v.y) for v in demo.villages]}
    write(pd.DataFrame(hamlets), folder / "land.gpkg", "villages", "Point")
    shop = pd.DataFrame({"name": [WORKSHOP], "geometry": [place_workshop(demo)]})
    write(shop, folder / "land.gpkg", "workshop", "Point")
    rains = [w.crossing == "ford" for w in demo.ways]
    ways = pd.DataFrame(
        {
            "type": [w.kind for w in demo.ways],
            "crossing": [w.crossing or None for w in demo.ways],
            "closed": ["11-20..05-16" if r else None for r in rains],
            "geometry": [w.line for w in demo.ways],
        }
    )
    write(ways, folder / "land.gpkg", "paths", "LineString")
    lines = [(RIVER, land.river), (TRIBUTARY, land.tributary)]
    rivers = pd.DataFrame({"name": [n for n, _ in lines], "geometry": [g for _, g in lines]})
    write(rivers, folder / "land.gpkg", "rivers", "LineString")
    flowing = land.water.difference(unary_union([land.pond, land.oxbow]))
    areas = [("river", p) for p in parts_of(flowing)] + [("old loop", land.oxbow), ("pond", land.pond)]
    areas = [(k, q) for k, p in areas for q in parts_of(p.intersection(box(-HALF, -HALF, HALF, HALF))) if q.area > 50]
    water = pd.DataFrame({"kind": [k for k, _ in areas], "geometry": [g for _, g in areas]})
    write(water, folder / "land.gpkg", "water", "Polygon")
    brooks = pd.DataFrame({"kind": "stream, dry after the rains", "geometry": [s.simplify(3) for s in land.streams]})
    write(brooks, folder / "land.gpkg", "streams", "LineString")
    write(pd.DataFrame({"geometry": demo.forest}), folder / "land.gpkg", "woodland", "Polygon")
    for layer, thatched in (("houses", False), ("thatch", True)):
        some = [h for h in demo.houses if h[2] == thatched]
        table = pd.DataFrame(
            {"hamlet": [demo.villages[v].name for _, v, _ in some], "geometry": [h for h, _, _ in some]}
        )
        write(table, folder / "houses.gpkg", layer, "Polygon")
    write_relief(land, folder / "relief.tif")


if __name__ == "__main__":
    here = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[1] / "demo_maps" / "season"
    save(grow(), here)
