import json
import re
from xml.etree import ElementTree as Xml

import pyogrio
import pytest

from sourcing.errors import OutputError
from sourcing.outputs.exports import GPX, KML, MESSAGE_LETTERS, message, write_gpx, write_kml
from sourcing.outputs.maps import render_map
from sourcing.outputs.programme import programme
from sourcing.outputs.tables import workbook_tables, write_layers
from sourcing.words import languages, load_words
from tests.unit.planned import planned, renamed, spoken, without_barrels

HOSTILE = ("<script>alert(1)</script>", "]]>&amp;\x0b\"' ")


def test_gpx_holds_places_and_ways(tmp_path):
    plan, path = planned(), tmp_path / "plan.gpx"
    write_gpx(plan, path)
    root = Xml.parse(path).getroot()
    tag = lambda name: f"{{{GPX}}}{name}"  # noqa: E731
    kinds = [child.tag for child in root]
    # GPX 1.1 schema: metadata, then waypoints, then routes
    assert kinds == sorted(kinds, key=[tag("metadata"), tag("wpt"), tag("rte")].index)
    points = root.findall(tag("wpt"))
    assert {p.find(tag("cmt")).text for p in points} == set(plan.site_table.index)
    for point in points:
        row = plan.site_table.loc[point.find(tag("cmt")).text]
        assert float(point.get("lat")) == pytest.approx(row["lat"], abs=1e-6)
        assert float(point.get("lon")) == pytest.approx(row["lon"], abs=1e-6)
    assert len(root.findall(tag("rte"))) == len(plan.routes)


def test_gdal_reads_gpx_and_kml_back(tmp_path):
    plan = planned()
    write_gpx(plan, tmp_path / "plan.gpx")
    assert len(pyogrio.read_dataframe(tmp_path / "plan.gpx", layer="waypoints")) == len(plan.site_table)
    assert len(pyogrio.read_dataframe(tmp_path / "plan.gpx", layer="routes")) == len(plan.routes)
    write_kml(plan, tmp_path / "plan.kml")
    layers = [name for name, _ in pyogrio.list_layers(tmp_path / "plan.kml")]
    sizes = [len(pyogrio.read_dataframe(tmp_path / "plan.kml", layer=name)) for name in layers]
    given = int((plan.field_table["carried_kg"] > 0).sum())
    assert sizes == [len(plan.site_table), given, len(plan.routes)]
    fields = pyogrio.read_dataframe(tmp_path / "plan.kml", layer=layers[1]).set_index("Name")
    for field in fields.index:
        there = plan.fields.frame.geometry[field]
        # coordinates are kept to a centimetre
        assert fields.geometry[field].symmetric_difference(there).area < 1e-3 * there.area


def test_names_from_the_survey_stay_text(tmp_path):
    plan = renamed(planned(), *HOSTILE)
    for name, write in (("plan.gpx", write_gpx), ("plan.kml", write_kml)):
        write(plan, tmp_path / name)
        raw = (tmp_path / name).read_text(encoding="utf-8")
        assert "<script>" not in raw
        names = {e.text for e in Xml.fromstring(raw).iter() if e.tag.endswith("}name")}
        assert names >= set(programme(plan).site_names.values())
        assert "Somebody" not in raw


def test_kml_says_when_barrels_stand(tmp_path):
    plan, path = planned(), tmp_path / "plan.kml"
    write_kml(plan, path)
    spans = Xml.parse(path).getroot().findall(f".//{{{KML}}}TimeSpan")
    assert len(spans) == len(plan.site_table)
    first = min(span.find(f"{{{KML}}}begin").text for span in spans)
    assert first == plan.calendar.monday(int(plan.site_weeks["week"].min())).isoformat()


@pytest.mark.parametrize("language", languages())
def test_a_message_is_short_in_every_language(language):
    plan = spoken(renamed(planned(), "A" * 200, "B" * 200), language)
    text = message(plan)
    assert 100 < len(text) < MESSAGE_LETTERS


def test_a_message_says_the_plan():
    plan = planned()
    text = message(plan)
    assert "Amberel" in text
    assert f"Up to {plan.record['totals']['most_barrels']} barrels" in text
    assert "never alone" in text
    chance = plan.record["chances"]["season"]["char_kg"]
    low, high = (load_words("en").tonnes(chance[name]) for name in ("p10", "p90"))
    assert f"{low} to {high} t of char, in eight seasons of ten" in text
    assert "No barrel stands" in message(without_barrels(plan))


def test_many_villages_are_named_as_far_as_there_is_room():
    plan = planned()
    table = plan.village_table.loc[plan.village_table.index.repeat(60)]
    table.index = [f"v{i}" for i in range(len(table))]
    text = message(renamed(type(plan)(**{**vars(plan), "village_table": table}), *(f"Hamlet {i}" for i in range(120))))
    assert len(text) < MESSAGE_LETTERS
    assert "Hamlet 0" in text
    assert "more" in text


def test_an_unwritable_place_is_told(tmp_path):
    for write in (write_gpx, write_kml):
        with pytest.raises(OutputError, match="written"):
            write(planned(), tmp_path / "nowhere" / "x")


def test_a_site_is_called_the_same_on_every_output(tmp_path):
    """Map, sheets, GPX, KML, spreadsheet, map layers and record: the number within the village is one and the same."""
    plan = planned()
    names = programme(plan).site_names
    page = render_map(plan)
    data = json.loads(re.search(r'<script type="application/json" id="season">(.*?)</script>', page, re.S).group(1))
    assert {site["id"]: site["name"] for site in data["sites"]} == names
    assert {site["id"]: site["called"] for site in plan.record["sites"]} == names
    write_gpx(plan, tmp_path / "a.gpx")
    points = Xml.parse(tmp_path / "a.gpx").getroot().findall(f"{{{GPX}}}wpt")
    assert {p.find(f"{{{GPX}}}cmt").text: p.find(f"{{{GPX}}}name").text for p in points} == names
    write_kml(plan, tmp_path / "a.kml")
    marks = pyogrio.read_dataframe(tmp_path / "a.kml", layer=str(pyogrio.list_layers(tmp_path / "a.kml")[0][0]))
    assert sorted(marks["Name"]) == sorted(names.values())
    write_layers(plan, tmp_path / "a.gpkg")
    sites = pyogrio.read_dataframe(tmp_path / "a.gpkg", layer="sites")
    assert dict(zip(sites["site_id"], sites["name"], strict=True)) == names
    tables = dict(workbook_tables(plan))
    for sheet in ("Sites", "Barrels by week"):
        assert dict(zip(tables[sheet]["Site"], tables[sheet]["Name"], strict=True)) == names
