"""The first steps of someone new to the desk: what is missing is said, what comes next, and the map of a large land."""

import geopandas as gpd
import pytest
import shapely

from sourcing.desk import work
from sourcing.desk.app import open_desk
from sourcing.desk.forms import PAGES, in_words, page_groups
from sourcing.errors import UsageError
from tests.desk.conftest import CHANGE, FIELDS, OWN


def test_a_new_season_asks_for_files_then_for_the_fields_and_names_no_file_that_nobody_gave(asked, home):
    asked.post("/new", headers=CHANGE, data={"name": "first"})
    page = asked.get("/s/first/survey", headers=OWN).text
    assert "needed; none yet" in page
    assert "Next:" not in page
    asked.post("/s/first/files", headers=CHANGE, files={"files": ("mine.csv", FIELDS.encode())})
    page = asked.get("/s/first/survey", headers=OWN).text
    assert "Next: choose the file with the fields" in page
    assert "fields.gpkg" not in page


def test_a_file_that_was_named_and_is_gone_is_told(asked, home):
    (home / "valley" / "fields.csv").rename(home / "valley" / "moved.csv")
    assert "fields.csv is not there yet" in asked.get("/s/valley/survey", headers=OWN).text


def test_a_folder_that_is_not_there_is_told_with_what_to_do(tmp_path):
    with pytest.raises(UsageError, match="make it"):
        open_desk(tmp_path / "nowhere")


def test_more_fields_than_a_map_draws_as_areas_are_told_by_two_corners_each(monkeypatch):
    shapes = [shapely.box(30, -15, 30.001, -14.999), shapely.box(30.002, -15, 30.004, -14.998)]
    frame = gpd.GeoDataFrame(geometry=shapes)
    assert [len(ring) for ring in work._outlines(frame)] == [5, 5]
    monkeypatch.setattr(work, "MOST_SHAPES", 1)
    assert list(work._outlines(frame)) == [[[30, -15], [30.001, -14.999]], [[30.002, -15], [30.004, -14.998]]]


def test_options_are_called_as_the_desk_calls_them_and_no_command_is_named_there():
    assert in_words("give it more time (placement.seconds), or villages.use.") == (
        "give it more time (Settings, Barrels and the goal: Seconds), or Settings, Villages and people: Use."
    )
    assert in_words("fleet.barrels_from, my.fleet.barrels") == (
        "Settings, Barrels and the goal: Barrels from, my.fleet.barrels"
    )
    for page in PAGES:
        for group in page_groups(page):
            for told in (group.help, *(e.help for e in group.entries)):
                assert "`sourcing" not in told
