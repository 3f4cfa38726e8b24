"""Distances against published costs, against networkx on real ways, and slopes of a real elevation model."""

import csv
import json
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Geod
from scipy.interpolate import RegularGridInterpolator

from sourcing.carrying.carry import carry_arcs, carry_routes
from sourcing.carrying.sites import candidate_sites
from sourcing.intake.survey import RawLayer
from sourcing.network.elevation import climb, read_relief, slopes_at, smoothed
from sourcing.network.paths import build_network, network_of, with_slopes
from sourcing.network.reach import Arcs, search_from_nodes
from sourcing.network.ways import local_crs
from tests.walks import VALUES, fields, layer, mean_way_m, season, supply, survey

NET = Path(__file__).resolve().parents[2].parent / "shared" / "data" / "net"


def needs(name):
    if not (NET / name).exists():
        pytest.skip(f"no {name} on this machine")
    return NET / name


# ---- the pgRouting manual's costs


def test_every_cost_printed_in_the_pgrouting_manual():
    # pgRouting 3.4 manual, sample graph of 18 edges; -1 means that the edge does not go that way.
    rows = list(csv.DictReader(needs("pgrouting_edges.csv").read_text().splitlines()))
    costs = json.loads(needs("pgrouting_documented_costs.json").read_text())
    assert len(costs) >= 100
    for directed in (True, False):
        tail, head, weight = [], [], []
        for row in rows:
            s, t = int(row["source"]), int(row["target"])
            for a, b, cost in ((s, t, float(row["cost"])), (t, s, float(row["reverse_cost"]))):
                if cost < 0:
                    continue
                tail += [a] if directed else [a, b]
                head += [b] if directed else [b, a]
                weight += [cost] if directed else [cost, cost]
        arcs, order = Arcs.build(18, np.array(tail), np.array(head))
        found = search_from_nodes(arcs, np.array(weight)[order], np.arange(18), np.inf)
        table = {
            (s, t): w for s, t, w in zip(found.start.tolist(), found.node.tolist(), found.weight.tolist(), strict=True)
        }
        checked = 0
        for cost in costs:
            if cost["directed"] == directed:
                assert table[cost["source"], cost["target"]] == cost["cost"], cost
                checked += 1
        assert checked > 10


# ---- networkx on the real ways


@pytest.fixture(scope="module")
def roxel():
    frame = gpd.read_file(needs("roxel_paths.gpkg")).rename(columns={"type": "way"})
    return RawLayer("paths", "roxel_paths.gpkg", "", len(frame), frame.assign(row=np.arange(1, len(frame) + 1)))


@pytest.fixture(scope="module")
def roxel_network(roxel):
    return network_of(roxel, local_crs(roxel.frame), season())


def test_roxel_has_the_parts_it_is_known_for(roxel):
    # 1,215 ways, 58 km, 9 separate parts when nothing is snapped and crossings are left alone (the data's README; its
    # 2,248 nodes are all vertices). Cutting at crossings and joining near misses can only lessen the parts.
    net = network_of(roxel, local_crs(roxel.frame), season(carrying={"snap_m": 0}))
    assert net.length_m.sum() == pytest.approx(58000, rel=0.02)
    assert 1 < len(net.parts) <= 9
    geod = Geod(ellps="WGS84")
    want = sum(geod.geometry_length(g) for g in roxel.frame.geometry)
    assert net.length_m.sum() == pytest.approx(want, rel=1e-3)


@pytest.mark.parametrize("closed_share", [0.0, 0.2])
def test_distances_on_real_ways_equal_networkx_to_the_last_bit(roxel_network, closed_share):
    net = roxel_network
    rng = np.random.default_rng(5)
    open_ = rng.random(len(net.u)) >= closed_share
    u, v, w = net.u[open_], net.v[open_], net.length_m[open_]
    arcs, order = Arcs.build(len(net.xy), np.concatenate([u, v]), np.concatenate([v, u]))
    weight = np.concatenate([w, w])[order]
    starts = rng.choice(len(net.xy), 40, replace=False)
    found = search_from_nodes(arcs, weight, starts, 900.0)
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(len(net.xy)))
    graph.add_weighted_edges_from(zip(u.tolist(), v.tolist(), w.tolist(), strict=True))
    for k, start in enumerate(starts.tolist()):
        mine = found.start == k
        got = dict(zip(found.node[mine].tolist(), found.weight[mine].tolist(), strict=True))
        assert got == nx.single_source_dijkstra_path_length(graph, start, cutoff=900.0)


def leaving(shape, target):
    """(mean way inside, leg outside) from a field of four corners, or a point, straight to a path or site [m]."""
    way = shapely.shortest_line(shape.centroid, target)
    if shape.area == 0:
        return 0.0, way.length
    outside = way.difference(shape)
    x, y = (outside if outside.length else way).coords[0 if outside.length else -1]
    return mean_way_m(shape, x, y), outside.length


def oracle(net, of, sites, limit, off_path_m, off, usable):
    """Field to site distances the plain way: every join by brute force, edges split in a networkx graph."""
    local = of.frame.geometry.to_crs(net.crs)
    spots = sites.frame.geometry.to_crs(net.crs)
    edges = np.flatnonzero(usable)
    parts = nx.Graph()
    parts.add_edges_from(zip(net.u[edges].tolist(), net.v[edges].tolist(), strict=True))
    longest = max(
        nx.connected_components(parts), key=lambda c: sum(net.length_m[e] for e in edges if int(net.u[e]) in c)
    )
    main = np.array([int(net.u[e]) in longest for e in edges])
    cuts = {int(e): {0.0: int(net.u[e]), float(net.length_m[e]): int(net.v[e])} for e in edges}
    graph, legs = nx.DiGraph(), []
    for kind, shapes in (("field", local), ("site", spots)):
        for name, shape in shapes.items():
            far = shapely.distance(shape, net.lines[edges])
            picks = {int(k) for k in np.flatnonzero(far <= far.min() + 1e-9)}
            if not main[list(picks)].any():
                picks |= {int(np.flatnonzero(main)[far[main].argmin()])}
            for k in picks:
                if far[k] > off_path_m:
                    continue
                line, e = net.lines[edges[k]], int(edges[k])
                inside, leg = leaving(shape, line)
                along = line.project(shapely.get_point(shapely.shortest_line(shape.centroid, line), -1))
                node = cuts[e].setdefault(along, (e, along))
                legs.append((kind, name, node, (inside + leg) / off))
    for e in edges.tolist():
        stops = sorted(cuts[e])
        for a, b in pairwise(stops):
            for s, t in ((a, b), (b, a)):
                one, two = cuts[e][s], cuts[e][t]
                if one == two:
                    continue
                worth = net.level_uv_m[e] if t > s else net.level_vu_m[e]
                level = (b - a) * worth / net.length_m[e]
                if level < graph.get_edge_data(one, two, {"level": np.inf})["level"]:
                    graph.add_edge(one, two, level=level)
    loaded_way, empty_way = graph.copy(), graph.copy()
    for kind, name, node, level in legs:
        # Nobody walks through one field or site to another: legs lead out of fields and into sites, or the reverse.
        loaded_way.add_edge(*([(kind, name), node] if kind == "field" else [node, (kind, name)]), level=level)
        empty_way.add_edge(*([node, (kind, name)] if kind == "field" else [(kind, name), node]), level=level)
    found = {}
    for site in spots.index:
        to_site = nx.single_source_dijkstra_path_length(loaded_way.reverse(), ("site", site), weight="level")
        from_site = nx.single_source_dijkstra_path_length(empty_way, ("site", site), weight="level")
        for name, shape in local.items():
            near = shape.distance(spots[site]) <= off_path_m
            direct = sum(leaving(shape, spots[site])) / off if near else np.inf
            loaded = min(to_site.get(("field", name), np.inf), direct)
            empty = min(from_site.get(("field", name), np.inf), direct)
            if (loaded + empty) / 2 <= limit:
                found[name, site] = (loaded, empty)
    return found


def random_fields(net, seed, n):
    rng = np.random.default_rng(seed)
    low, high = net.xy.min(axis=0), net.xy.max(axis=0)
    middle = rng.uniform(low, high, (n, 2))
    shapes = [shapely.box(x - 20, y - 15, x + 20, y + 15) for x, y in middle]
    where = gpd.GeoSeries(shapes, crs=net.crs).to_crs(4326)
    of = fields([shapely.box(0, 0, 1, 1)] * n)
    of.frame.geometry = where.to_numpy()
    return of


@pytest.mark.parametrize(("mode", "sloped"), [("head_load", False), ("handcart", False), ("head_load", True)])
def test_carry_arcs_on_real_ways_equal_a_plain_networkx_computation(roxel, roxel_network, mode, sloped, tmp_path):
    net = roxel_network
    of = random_fields(net, 2, 30)
    rng = np.random.default_rng(9)
    spots = rng.uniform(net.xy.min(axis=0), net.xy.max(axis=0), (6, 2))
    places = layer(list(gpd.GeoSeries(gpd.points_from_xy(*spots.T), crs=net.crs).to_crs(4326)), "places",
                   crs="EPSG:4326", name=[f"p{k}" for k in range(6)])  # fmt: skip
    settings = season(carrying={"modes": [mode], "max_distance_m": 1200, "off_path_m": 300})
    asked = survey(of, paths=roxel, places=places)
    if sloped:
        net = with_slopes(net, hills(net, tmp_path), settings, VALUES)
    lots = supply(of)
    sites = candidate_sites(asked, of, lots, net, settings, VALUES)
    made = carry_arcs(asked, lots, of, sites, net, settings, VALUES)
    usable = net.width >= int(VALUES[f"carry.{mode}.least_way"])
    off = VALUES["carry.off_path.speed_factor"]
    want = oracle(net, of, sites, 1200, 300, off, usable)
    speed = {k: VALUES[f"carry.{mode}.speed_{k}_km_h"] for k in ("loaded", "empty")}
    hours = {key: VALUES[f"carry.{mode}.loading_h"] + a / (1000 * speed["loaded"]) + b / (1000 * speed["empty"])
             for key, (a, b) in want.items()}  # fmt: skip
    ids, names = of.frame.index.to_numpy(), sites.frame.index.to_numpy()
    got = {(ids[r.lot], names[r.site]): r.trip_h for r in made.frame.itertuples()}
    assert got.keys() == hours.keys()
    assert len(got) > 20
    for key, value in hours.items():
        assert got[key] == pytest.approx(value, abs=1e-6), key
    frame = made.frame.assign(field_id=ids[made.frame["lot"]], site_id=names[made.frame["site"]], mass_kg=1.0)
    routes = carry_routes(frame, asked, of, sites, net, settings, VALUES)
    local, shapes = routes.geometry.to_crs(net.crs), of.frame.geometry.to_crs(net.crs)
    inside = [mean_way_m(shapes[f], *line.coords[0]) for f, line in zip(routes["field_id"], local, strict=True)]
    assert np.allclose(local.length + inside, routes["distance_m"], atol=0.05)


def hills(net, folder):
    """An invented relief of two waves over the network, as a raster in metres."""
    low, high = net.xy.min(axis=0) - 200, net.xy.max(axis=0) + 200
    x, y = np.arange(low[0], high[0], 10) + 5, np.arange(high[1], low[1], -10) - 5
    height = 100 + 20 * np.sin(x / 150)[None, :] + 15 * np.cos(y / 200)[:, None]
    path = folder / "hills.tif"
    transform = rasterio.Affine(10, 0, x[0] - 5, 0, -10, y[0] + 5)
    with rasterio.open(path, "w", driver="GTiff", height=len(y), width=len(x), count=1, dtype="float64",
                       crs=net.crs.to_wkt(), transform=transform) as out:  # fmt: skip
        out.write(height, 1)
    return path


# ---- the elevation model of matplotlib


@pytest.fixture(scope="module")
def fault(tmp_path_factory):
    from matplotlib.cbook import get_sample_data

    dem = get_sample_data("jacksboro_fault_dem.npz")
    height, dx, dy = dem["elevation"].astype(float), float(dem["dx"]), float(dem["dy"])
    west, north = float(dem["xmin"]), float(dem["ymax"])
    path = tmp_path_factory.mktemp("dem") / "fault.tif"
    with rasterio.open(path, "w", driver="GTiff", height=height.shape[0], width=height.shape[1], count=1,
                       dtype="float64", crs="EPSG:4326",
                       transform=rasterio.Affine(dx, 0, west, 0, -dy, north)) as out:  # fmt: skip
        out.write(height, 1)
    lon = west + dx * (np.arange(height.shape[1]) + 0.5)
    lat = north - dy * (np.arange(height.shape[0]) + 0.5)
    return path, height, lon, lat


def test_the_real_elevation_model_is_as_published(fault):
    # 344 x 403 cells, 236 to 1076 m (the sample data of matplotlib).
    _, height, _, _ = fault
    assert height.shape == (344, 403)
    assert (height.min(), height.max()) == (236, 1076)


def ground_of(lon, lat):
    frame = gpd.GeoDataFrame(geometry=gpd.points_from_xy([lon[0], lon[-1]], [lat[0], lat[-1]]), crs=4326)
    return local_crs(frame)


def test_heights_between_cells_equal_an_independent_interpolation(fault):
    path, height, lon, lat = fault
    crs = ground_of(lon, lat)
    rng = np.random.default_rng(1)
    where = np.column_stack([rng.uniform(lon[5], lon[-5], 400), rng.uniform(lat[-5], lat[5], 400)])
    points = gpd.GeoSeries(gpd.points_from_xy(*where.T), crs=4326).to_crs(crs)
    relief = read_relief(path, np.array([points.union_all()], dtype=object), crs)
    want = RegularGridInterpolator((lat[::-1], lon), height[::-1])(where[:, ::-1])
    assert np.allclose(relief.at(shapely.get_coordinates(points.to_numpy()), crs), want, atol=1e-3)


def test_slopes_equal_an_independent_computation(fault):
    # Central differences over the ellipsoid's own distances between cells, against ours through the local system.
    path, height, lon, lat = fault
    crs = ground_of(lon, lat)
    geod = Geod(ellps="WGS84")
    across = geod.inv(lon[0], lat.mean(), lon[1], lat.mean())[2]
    down = geod.inv(lon[0], lat[170], lon[0], lat[171])[2]
    gy, gx = np.gradient(height, down, across)
    want = np.hypot(gx, gy)
    rows, columns = np.meshgrid(np.arange(40, 300, 13), np.arange(40, 360, 13), indexing="ij")
    points = gpd.GeoSeries(gpd.points_from_xy(lon[columns.ravel()], lat[rows.ravel()]), crs=4326).to_crs(crs)
    relief = read_relief(path, np.array([points.union_all()], dtype=object), crs)
    got = slopes_at(relief, shapely.get_coordinates(points.to_numpy()), crs)
    want = want[rows.ravel(), columns.ravel()]
    assert np.corrcoef(got, want)[0, 1] > 0.99
    assert np.median(np.abs(got - want)) < 0.01


def test_level_metres_along_a_line_equal_an_independent_sum(fault):
    # Along one row of cells, from middle to middle: Tobler written out here, over geodesic distances.
    path, height, lon, lat = fault
    crs = ground_of(lon, lat)
    geod = Geod(ellps="WGS84")
    row = 150
    ends = gpd.GeoSeries(gpd.points_from_xy(lon[20:380], np.full(360, lat[row])), crs=4326).to_crs(crs)
    pieces = np.array([shapely.LineString([a, b]) for a, b in pairwise(ends)], dtype=object)
    relief = read_relief(path, pieces, crs)
    there, back, missing = climb(pieces, shapely.length(pieces), relief, crs, 1e6, "tobler", VALUES)
    run = np.array([geod.inv(a, lat[row], b, lat[row])[2] for a, b in pairwise(lon[20:380])])
    slope = np.diff(height[row, 20:380]) / run
    worth = run * np.exp(-3.5 * 0.05) / np.exp(-3.5 * np.abs(slope + 0.05))
    assert missing.sum() == 0
    # The row of cells is a parallel, the pieces are straight: the heights differ by millimetres.
    assert np.allclose(there, worth, rtol=2e-3)
    assert there.sum() == pytest.approx(worth.sum(), rel=1e-4)
    assert back.sum() == pytest.approx(
        (run * np.exp(-3.5 * 0.05) / np.exp(-3.5 * np.abs(-slope + 0.05))).sum(), rel=1e-4
    )
    assert there.sum() != pytest.approx(back.sum(), rel=1e-3)


def test_smoothing_keeps_the_mean_height_and_lowers_the_slopes(fault):
    path, _height, lon, lat = fault
    crs = ground_of(lon, lat)
    points = gpd.GeoSeries(gpd.points_from_xy(lon[[50, 350]], lat[[300, 50]]), crs=4326).to_crs(crs)
    relief = read_relief(path, np.array([points.union_all()], dtype=object), crs)
    smooth = smoothed(relief, 300.0, shapely.get_coordinates(points.to_numpy()).mean(axis=0), crs)
    assert np.nanmean(smooth.height_m) == pytest.approx(np.nanmean(relief.height_m), abs=1)
    rough, gentle = (np.abs(np.diff(r.height_m, axis=1)).mean() for r in (relief, smooth))
    assert gentle < rough


def test_a_network_on_the_real_relief_takes_longer_up_than_down(fault):
    path, _height, lon, lat = fault
    crs = ground_of(lon, lat)
    of = fields([shapely.box(0, 0, 1, 1)])
    of.frame.geometry = [shapely.box(lon[200], lat[200], lon[201], lat[199])]
    ways = [shapely.LineString([(lon[a], lat[100]), (lon[a + 60], lat[240])]) for a in range(40, 320, 20)]
    asked = survey(of, paths=layer(ways, crs="EPSG:4326"), elevation=path)
    net = build_network(asked, of, season(), VALUES)
    assert net.sloped
    assert crs is not None
    assert (net.level_uv_m > 0.83 * net.length_m).all()
    assert net.level_uv_m.sum() > 1.05 * net.length_m.sum()
    assert not np.allclose(net.level_uv_m, net.level_vu_m, rtol=0.01)
    assert any(name.startswith("carry.walk.tobler") for name in net.figures_used)
