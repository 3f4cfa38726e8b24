"""What-ifs, mended rows and second looks: beside the season, never in place of it, and files all along."""

import tomllib

import geopandas as gpd
import shapely

from sourcing.desk import jobs
from sourcing.desk.seasonfile import changed
from sourcing.desk.shelf import Shelf
from sourcing.desk.store import digest, read_json
from sourcing.desk.work import CHECK_FILE
from sourcing.intake.mend import BY_HAND
from sourcing.settings import read_settings
from tests.desk.conftest import CHANGE, OWN

WAIT_S = 120


def season(home, key="valley"):
    return Shelf(home).season(key)


def done(home, key="valley"):
    job = jobs.wait(season(home, key), WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    return job


def with_paths(home):
    line = shapely.LineString([(29.999, -15.003), (30.012, -15.003)])
    gpd.GeoDataFrame({"kind": ["track"]}, geometry=[line], crs="EPSG:4326").to_file(home / "valley" / "lines.gpkg")
    path = home / "valley" / "season.toml"
    layer = {"file": "lines.gpkg", "columns": {"way": "kind"}}
    changes = {("layers", "paths"): layer, ("crop_names", "mealis"): "maize"}
    path.write_text(changed(path.read_text(encoding="utf-8"), changes), encoding="utf-8")


def test_a_what_if_changes_nothing_until_it_is_taken_over(home, asked, seen):
    with_paths(home)
    before = (home / "valley" / "season.toml").read_bytes()
    form = {
        "name": "more",
        "barrels": "60",
        "price": "0,7",
        "no_barrels": "Kwale",
        "no_residue": "Kwale",
        "act": "more",
    }
    answer = asked.post("/s/valley/what-if", headers=CHANGE, data=form)
    assert answer.headers["location"].startswith("/s/valley~more/settings")
    assert (home / "valley" / "season.toml").read_bytes() == before
    other = season(home, "valley~more")
    settings = read_settings(other.folder)
    assert (settings.fleet.barrels, settings.values) == (60, {"money.char_value_per_kg": 0.7})
    assert settings.villages.leave_out == ["Kwale"]
    assert settings.supply.village_uses[0].fodder == 1
    assert (other.folder / settings.layers.fields.file).samefile(home / "valley" / "fields.csv")

    # A bridge is closed in it, on a path layer of its own.
    assert asked.post("/s/valley/close", headers=CHANGE, data={"lon": "30", "lat": "-15"}).status_code == 422
    assert (
        asked.post("/s/valley~more/close", headers=CHANGE, data={"lon": "30.005", "lat": "-15.003"}).status_code == 303
    )
    done(home, "valley~more")
    ways = gpd.read_file(other.folder / "ways.gpkg")
    assert list(ways["closed"].dropna()) == ["01-01..12-31"]
    assert list(ways["way"]) == ["track"] * 3
    assert (home / "valley" / "season.toml").read_bytes() == before
    page = asked.get("/s/valley/what-if", headers=OWN).text
    assert "Settings, Barrels and the goal: Barrels = 60" in page
    assert "ways closed on the map" in page

    asked.post("/s/valley~more/adopt", headers=CHANGE, data={"seen": ""})
    settings = read_settings(home / "valley")
    assert settings.fleet.barrels == 60
    assert settings.layers.paths.file == "what-if/more/ways.gpkg"
    assert settings.layers.fields.file == "fields.csv"
    assert (home / "valley" / settings.layers.paths.file).is_file()


def test_two_what_ifs_do_not_share_a_name_and_a_faulty_one_is_not_made(home, asked):
    form = {"name": "more", "act": "more"}
    assert asked.post("/s/valley/what-if", headers=CHANGE, data=form).status_code == 303
    assert asked.post("/s/valley/what-if", headers=CHANGE, data=form).status_code == 422
    for wrong in ({"name": "none", "barrels": "0"}, {"name": "../up"}, {"name": "x", "price": "dear"}):
        assert asked.post("/s/valley/what-if", headers=CHANGE, data={**wrong, "act": "more"}).status_code == 422
    assert [p.name for p in (home / "valley" / "what-if").iterdir()] == ["more"]


def test_a_row_is_mended_and_another_set_aside_in_a_copy(home, asked):
    before = (home / "valley" / "fields.csv").read_bytes()
    assert asked.get("/s/valley/row/3", headers=OWN).status_code == 422  # not checked yet
    asked.post("/s/valley/check", headers=CHANGE)
    done(home)
    found = read_json(season(home).work / CHECK_FILE)
    assert [w["word"] for w in found["words"]] == ["mealis"]
    page = asked.get("/s/valley/row/3", headers=OWN)
    assert 'value="mealis"' in page.text
    assert asked.get("/s/valley/row/1", headers=OWN).status_code == 404  # nothing was found in it
    asked.post("/s/valley/row/3", headers=CHANGE, data={"act": "set_aside"})
    done(home)
    kept = read_json(season(home).work / CHECK_FILE)
    assert (kept["kept"], kept["set_aside"], kept["words"]) == (2, 1, [])
    assert BY_HAND in kept["findings"][0]["found"]
    asked.post("/s/valley/row/3", headers=CHANGE, data={"cell:crop": "maize", "cell:no such": "x", "act": "mend"})
    done(home)
    kept = read_json(season(home).work / CHECK_FILE)
    assert (kept["kept"], kept["set_aside"]) == (3, 0)
    raw = tomllib.loads((home / "valley" / "season.toml").read_text(encoding="utf-8"))
    assert raw["layers"]["fields"]["file"] == "fields (mended).csv"
    assert raw["crop_names"] == {BY_HAND: "-"}
    assert (home / "valley" / "fields.csv").read_bytes() == before
    assert asked.get("/s/valley/row/9", headers=OWN).status_code == 404


def test_unknown_words_are_told_what_they_mean(home, asked, seen):
    form = {"seen": seen(), "word": ["mealis", "other"], "means": ["maize", ""]}
    assert asked.post("/s/valley/crop-words", headers=CHANGE, data=form).status_code == 303
    done(home)
    assert read_settings(home / "valley").crop_names == {"mealis": "maize"}
    assert read_json(season(home).work / CHECK_FILE)["kept"] == 3


def test_what_was_found_says_when_it_is_no_longer_so(home, asked):
    asked.post("/s/valley/check", headers=CHANGE)
    done(home)
    assert "have changed since" not in asked.get("/s/valley/findings", headers=OWN).text
    (home / "valley" / "fields.csv").write_text("field_id,crop\n", encoding="utf-8")
    assert "have changed since" in asked.get("/s/valley/findings", headers=OWN).text
    assert digest(season(home).work / "send-back.xlsx")
