"""The history of a season's surveys, in both of its stores: a file, and a PostGIS that the tests start themselves."""

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime

import geopandas as gpd
import pandas as pd
import pytest
import shapely
import sqlalchemy as sa

from sourcing.errors import InputError, OutputError, UsageError
from sourcing.intake import book as book_room
from sourcing.intake import history as history_room
from sourcing.intake.book import HISTORY_FILE, history_place, open_history, open_if_there
from sourcing.intake.changes import changes_to_tell, told_of, what_changed
from sourcing.intake.fields import clean_fields
from sourcing.intake.history import (
    accept,
    changes_of,
    count_today,
    fields_of,
    fields_to_plan,
    fields_today,
    fingerprint,
    original_files,
    snapshot,
    surveys,
    undo,
)
from sourcing.intake.survey import read_survey
from sourcing.settings import settings_from
from sourcing.values import Values
from tests.postgis import new_database
from tests.surveys import season, square, table

AT = datetime(2027, 4, 1, 12, tzinfo=UTC)
PLACES = {}


@pytest.fixture(params=["file", "postgis"], autouse=True)
def store(request, tmp_path):
    """Each test runs on both stores; its history is at PLACES[folder]."""
    if request.node.get_closest_marker("of_a_file") and request.param == "postgis":
        pytest.skip("about the file alone")
    PLACES[tmp_path] = tmp_path / HISTORY_FILE if request.param == "file" else new_database()
    yield request.param
    del PLACES[tmp_path]


def history(folder):
    return open_history(PLACES[folder])


def take(folder, rows, name="fields.gpkg", **options):
    """Writes a survey, cleans it and accepts it; returns the changes."""
    table([{"village": "A", **r} for r in rows]).to_file(folder / name)
    settings = season(layers={"fields": {"file": name}})
    survey = read_survey(folder, settings)
    with history(folder) as book:
        return accept(book, survey, clean_fields(survey, settings, Values.load()), folder, AT, "Amina", **options)


def today(folder):
    with history(folder) as book:
        return fields_today(book)


def test_an_accepted_survey_comes_back_as_it_was(tmp_path):
    rows = [
        {"field_id": "a", "yield_t_ha": 1.5, "clear_by": "2027-09-01"},
        {"field_id": "b", "crop": "fallow"},
        {"field_id": "c"},
    ]
    take(tmp_path, rows)
    settings = season()
    direct = clean_fields(read_survey(tmp_path, settings), settings, Values.load())
    back = today(tmp_path)
    pd.testing.assert_frame_equal(
        pd.DataFrame(back.frame).drop(columns=["survey", "recorded_as"]), pd.DataFrame(direct.frame), check_dtype=False
    )
    assert back.villages.name.to_dict() == direct.villages.name.to_dict()
    assert fingerprint(back) == fingerprint(direct)
    with history(tmp_path) as book:
        (one,) = surveys(book)
        assert (one.who, one.at, one.rows, one.kept, one.set_aside) == (
            "Amina",
            AT.isoformat(timespec="seconds"),
            3,
            2,
            1,
        )
        assert original_files(book, 1) == {"fields.gpkg": (tmp_path / "fields.gpkg").read_bytes()}
        with pytest.raises(UsageError, match="no survey 7"):
            original_files(book, 7)


def test_the_newest_word_on_each_field_counts_and_the_rest_stays(tmp_path):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}, {"field_id": "c"}])
    changes = take(tmp_path, [{"field_id": "b", "crop": "cotton", "geometry": square(1)}], "later.gpkg")
    assert changes[["old", "new", "relation", "changes"]].to_numpy().tolist() == [["b", "b", "changed", "crop"]]
    assert today(tmp_path).frame.crop.to_dict() == {"a": "maize", "c": "maize", "b": "cotton"}
    with history(tmp_path) as book:
        assert fields_of(book, 1).frame.crop.to_dict() == dict.fromkeys("abc", "maize")
        assert changes_of(book, 2).relation.tolist() == ["changed"]


def test_a_complete_survey_says_what_is_gone(tmp_path):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    changes = take(tmp_path, [{"field_id": "a"}], "later.gpkg", complete=True)
    assert changes.relation.tolist() == ["same", "gone"]
    assert today(tmp_path).frame.index.tolist() == ["a"]


def test_a_split_field_is_replaced_by_its_parts(tmp_path):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    left, right = shapely.box(30, -15, 30.0004, -14.9992), shapely.box(30.0004, -15, 30.0008, -14.9992)
    take(tmp_path, [{"field_id": "x", "geometry": left}, {"field_id": "y", "geometry": right}], "later.gpkg")
    assert sorted(today(tmp_path).frame.index) == ["b", "x", "y"]


@pytest.mark.parametrize(
    ("row", "stays"), [({"crop": "fallow"}, False), ({"consent": "no"}, False), ({"harvest_end": "soon"}, True)]
)
def test_a_row_set_aside_takes_the_field_out_only_when_it_says_so(tmp_path, row, stays):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    take(
        tmp_path,
        [{"field_id": "z", "geometry": square(0), **row}, {"field_id": "new", "geometry": square(9)}],
        "later.gpkg",
    )
    assert ("a" in today(tmp_path).frame.index) == stays
    assert {"b", "new"} <= set(today(tmp_path).frame.index)


def test_one_id_for_two_fields_of_two_surveys(tmp_path):
    take(tmp_path, [{"field_id": "1"}])
    take(tmp_path, [{"field_id": "1", "geometry": square(50), "village": "B"}], "b.gpkg")
    assert today(tmp_path).frame.index.tolist() == ["1@1", "1@2"]
    take(tmp_path, [{"field_id": "1", "geometry": square(50), "village": "B", "crop": "cotton"}], "c.gpkg")
    assert today(tmp_path).frame.crop.to_dict() == {"1@1": "maize", "1@3": "cotton"}


def test_undo_is_undone_step_by_step_and_the_survey_may_come_again(tmp_path):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    before = fingerprint(today(tmp_path))
    rows = [{"field_id": "a", "crop": "fallow"}, {"field_id": "q", "geometry": square(70)}]
    take(tmp_path, rows, "later.gpkg")
    after = fingerprint(today(tmp_path))
    assert after != before
    with history(tmp_path) as book:
        assert undo(book, AT, "Joao").id == 2
        assert fingerprint(fields_today(book)) == before
        assert [s.undone_by for s in surveys(book)] == ["", "Joao"]
        assert undo(book, AT, "Joao").id == 1
        assert len(fields_today(book).frame) == 0
        with pytest.raises(UsageError, match="no survey to undo"):
            undo(book, AT, "Joao")
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    assert fingerprint(today(tmp_path)) == before


def test_the_same_file_twice_is_refused_with_when_and_who(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    settings = season()
    survey = read_survey(tmp_path, settings)
    with history(tmp_path) as book, pytest.raises(InputError, match=r"2027-04-01.*Amina"):
        accept(book, survey, clean_fields(survey, settings, Values.load()), tmp_path, AT, "Amina")
    assert len(today(tmp_path).frame) == 1


def test_a_shapefile_is_kept_with_its_siblings(tmp_path):
    table([{}])[["crop", "geometry"]].to_file(tmp_path / "f.shp")
    fixed = {"harvest_start": "2027-04-20", "harvest_end": "2027-05-01"}
    settings = season(layers={"fields": {"file": "f.shp", "fixed": fixed}})
    survey = read_survey(tmp_path, settings)
    with history(tmp_path) as book:
        accept(book, survey, clean_fields(survey, settings, Values.load()), tmp_path, AT, "x")
        assert {"f.shp", "f.dbf", "f.shx", "f.prj"} <= set(original_files(book, 1))


# -------------------------------------------------------------------------------------------------------- hard times


def test_a_failed_accept_changes_nothing(tmp_path, monkeypatch):
    take(tmp_path, [{"field_id": "a"}])
    before = fingerprint(today(tmp_path))
    monkeypatch.setattr("sourcing.intake.history._keep_fields", lambda *a, **k: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        take(tmp_path, [{"field_id": "a", "crop": "cotton"}], "later.gpkg")
    monkeypatch.undo()
    assert fingerprint(today(tmp_path)) == before
    with history(tmp_path) as book:
        assert len(surveys(book)) == 1


def test_a_history_in_use_says_so(tmp_path, monkeypatch):
    take(tmp_path, [{"field_id": "a"}])
    monkeypatch.setattr(book_room, "WAIT_S", 0.1)
    with history(tmp_path) as mine, mine.write(), history(tmp_path) as other:
        with pytest.raises(OutputError, match="in use"):
            undo(other, AT, "x")
        assert len(fields_today(other).frame) == 1  # reading goes on


@pytest.mark.of_a_file
def test_a_file_that_is_no_history_and_one_from_the_future_are_refused(tmp_path):
    (tmp_path / "a.sqlite").write_bytes(b"this is not a database at all, " * 100)
    with pytest.raises(InputError, match="cannot be read"), open_history(tmp_path / "a.sqlite"):
        pass
    with sqlite3.connect(tmp_path / "b.sqlite") as book:
        book.execute("create table x (y)")
    book.close()
    with pytest.raises(InputError, match="another kind"), open_history(tmp_path / "b.sqlite"):
        pass
    with open_history(tmp_path / "c.sqlite") as book, book.write() as link:
        link.execute(book_room.about.update().values(version=99))
    with pytest.raises(InputError, match="newer version"), open_history(tmp_path / "c.sqlite"):
        pass


@pytest.mark.of_a_file
def test_a_folder_that_is_not_there_says_so(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"), open_history(tmp_path / "no" / "h.sqlite"):
        pass


@pytest.mark.of_a_file
def test_a_file_that_may_not_be_written_says_so_and_can_still_be_read(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    with history(tmp_path) as book:

        @sa.event.listens_for(book.writer, "begin")
        def read_only(link):
            link.exec_driver_sql("pragma query_only = on")

        with pytest.raises(OutputError, match="may you write in it"):
            undo(book, AT, "x")
        assert len(fields_today(book).frame) == 1


@pytest.mark.of_a_file
def test_a_full_disk_changes_nothing(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    before = fingerprint(today(tmp_path))
    table([{"field_id": f"n{i}"} for i in range(200)]).to_file(tmp_path / "big.gpkg")
    settings = season(layers={"fields": {"file": "big.gpkg"}})
    survey = read_survey(tmp_path, settings)
    fields = clean_fields(survey, settings, Values.load())
    with pytest.raises(OutputError, match="disk is full"), history(tmp_path) as book:

        @sa.event.listens_for(book.writer, "begin")
        def no_room(link):
            pages = link.exec_driver_sql("pragma page_count").scalar()
            link.exec_driver_sql(f"pragma max_page_count = {pages + 2}")

        accept(book, survey, fields, tmp_path, AT, "x")
    assert fingerprint(today(tmp_path)) == before


KILLED = """
import sys
from pathlib import Path
from datetime import datetime
from sourcing.intake.fields import clean_fields
from sourcing.intake.book import open_history
from sourcing.intake.history import accept, undo
from sourcing.intake.survey import read_survey
from sourcing.values import Values
from tests.surveys import season
folder = Path(sys.argv[1])
place = sys.argv[2] if "://" in sys.argv[2] else Path(sys.argv[2])
settings = season(layers={"fields": {"file": "later.gpkg"}})
survey = read_survey(folder, settings)
fields = clean_fields(survey, settings, Values.load())
print("ready", flush=True)
with open_history(place) as book:
    while True:
        accept(book, survey, fields, folder, datetime(2027, 5, 1), "x")
        undo(book, datetime(2027, 5, 1), "x")
"""


@pytest.mark.parametrize("run", range(3))
def test_killed_at_any_moment_the_history_is_one_or_the_other(tmp_path, run, store):
    take(tmp_path, [{"field_id": f"f{i}"} for i in range(30)])
    without = fingerprint(today(tmp_path))
    table([{"village": "A", "field_id": f"f{i}", "crop": "cotton"} for i in range(30)]).to_file(tmp_path / "later.gpkg")
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path), str(PLACES[tmp_path])], stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        for _ in range(2):
            time.sleep(0.05 + 0.037 * run)
        os.kill(child.pid, signal.SIGKILL)
    state = today(tmp_path)
    assert set(state.frame.crop) in ({"maize"}, {"cotton"})
    assert len(state.frame) == 30
    if store == "file":
        file = sqlite3.connect(tmp_path / HISTORY_FILE)
        assert file.execute("pragma integrity_check").fetchone() == ("ok",)
        assert not file.execute("pragma foreign_key_check").fetchall()
        file.close()
    with history(tmp_path) as book:
        if set(state.frame.crop) == {"cotton"}:
            undo(book, AT, "x")
        assert fingerprint(fields_today(book)) == without


def test_two_runs_at_once_take_turns(tmp_path):
    """Eight surveys of two fields each, accepted at once by eight threads: all of each, once, none lost."""
    surveys_ = []
    for i in range(8):
        rows = [{"village": "A", "field_id": f"{i}{n}", "geometry": square(2 * i + k)} for k, n in enumerate("ab")]
        table(rows).to_file(tmp_path / f"{i}.gpkg")
        settings = season(layers={"fields": {"file": f"{i}.gpkg"}})
        surveys_.append(read_survey(tmp_path, settings))
    cleaned = [clean_fields(s, season(), Values.load()) for s in surveys_]
    faults = []

    def run(i):
        try:
            with history(tmp_path) as book:
                accept(book, surveys_[i], cleaned[i], tmp_path, AT, f"run {i}")
        except Exception as exc:
            faults.append(exc)

    threads = [threading.Thread(target=run, args=(i,)) for i in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert faults == []
    with history(tmp_path) as book:
        assert [s.id for s in surveys(book)] == list(range(1, 9))
        assert sorted(fields_today(book).frame.index) == sorted(f"{i}{n}" for i in range(8) for n in "ab")


# ------------------------------------------------------------------------------------------------ planning from it


def plan_fields(folder, name="fields.gpkg", **history_options):
    place = PLACES[folder]
    database = {} if not isinstance(place, str) else {"database": place}
    settings = season(layers={"fields": {"file": name}}, history={**database, **history_options})
    return fields_to_plan(folder, read_survey(folder, settings), settings, Values.load())


def test_a_season_without_a_history_is_planned_from_its_file_and_makes_none(tmp_path, store):
    table([{"field_id": "a", "village": "A"}]).to_file(tmp_path / "fields.gpkg")
    fields = plan_fields(tmp_path)
    assert fields.source["from"] == "file"
    assert fields.findings == ()
    assert not (tmp_path / HISTORY_FILE).exists()
    with open_if_there(PLACES[tmp_path]) as book:
        assert book is None


def test_a_season_with_a_history_is_planned_from_the_fields_of_today_and_says_so(tmp_path):
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}, {"field_id": "x", "crop": "zzz"}])
    take(tmp_path, [{"field_id": "b", "crop": "cotton", "geometry": square(1)}], "later.gpkg")
    fields = plan_fields(tmp_path, "later.gpkg")
    assert fields.frame.crop.to_dict() == {"a": "maize", "b": "cotton"}
    assert [s["id"] for s in fields.source["surveys"]] == [1, 2]
    assert "Amina" not in str(fields.source)
    assert [f.what for f in fields.findings] == ["from_history"]
    first = plan_fields(tmp_path)
    assert {f.what for f in first.findings} >= {"from_history", "unknown_crop"}
    assert first.set_aside.row.tolist() == [3]
    assert first.counts["rows"] == first.counts["kept"] + first.counts["mended"] + first.counts["set_aside"]
    files = plan_fields(tmp_path, "later.gpkg", plan_from="files")
    assert files.frame.index.tolist() == ["b"]
    assert files.source["from"] == "file"


def test_villages_are_where_the_seasons_own_layer_has_them_now_those_without_fields_too(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    layer = gpd.GeoDataFrame(
        {"name": ["A", "Empty"]}, geometry=gpd.points_from_xy([30.01, 30.02], [-15.01, -15.02]), crs="EPSG:4326"
    )
    layer.to_file(tmp_path / "villages.gpkg")
    place = PLACES[tmp_path]
    database = {"database": place} if isinstance(place, str) else {}
    settings = season(layers={"villages": {"file": "villages.gpkg"}}, history=database)
    fields = fields_to_plan(tmp_path, read_survey(tmp_path, settings), settings, Values.load())
    assert fields.villages.name.to_dict() == {"a": "A", "empty": "Empty"}
    assert fields.villages.geometry.x.tolist() == [30.01, 30.02]
    assert fields.frame.village.tolist() == ["a"]


def test_a_file_that_was_not_accepted_is_told_and_does_not_count(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    table([{"field_id": "new", "geometry": square(7)}]).to_file(tmp_path / "new.gpkg")
    fields = plan_fields(tmp_path, "new.gpkg")
    assert fields.frame.index.tolist() == ["a"]
    assert [f.what for f in fields.findings] == ["from_history", "not_accepted"]


def test_a_survey_that_the_season_now_reads_otherwise_is_told(tmp_path):
    take(tmp_path, [{"field_id": "a", "crop": "MIS"}, {"field_id": "b"}])
    place = PLACES[tmp_path]
    database = {"database": place} if isinstance(place, str) else {}
    settings = season(crop_names={"MIS": "maize"}, history=database)
    fields = fields_to_plan(tmp_path, read_survey(tmp_path, settings), settings, Values.load())
    assert fields.frame.index.tolist() == ["b"]
    assert "read_otherwise" in {f.what for f in fields.findings}


def test_a_snapshot_gives_the_same_fields_without_old_words_or_files(tmp_path):
    take(tmp_path, [{"field_id": "1"}, {"field_id": "b"}])
    take(tmp_path, [{"field_id": "1", "geometry": square(50), "village": "B"}], "b.gpkg")
    take(tmp_path, [{"field_id": "b", "crop": "cotton", "geometry": square(1)}], "c.gpkg")
    source = plan_fields(tmp_path, "c.gpkg").source
    with history(tmp_path) as book:
        assert snapshot(book, source, tmp_path / "copy.sqlite")
        undo(book, AT, "x")
        assert not snapshot(book, source, tmp_path / "other.sqlite")
        assert not (tmp_path / "other.sqlite").exists()
    with open_history(tmp_path / "copy.sqlite") as copy:
        back = fields_today(copy)
        assert back.frame.crop.to_dict() == {"1@1": "maize", "1@2": "maize", "b": "cotton"}
        with copy.read() as link:
            assert not link.execute(sa.select(book_room.parts)).all()
            assert len(link.execute(sa.select(book_room.records.c.field_id)).all()) == 3


def test_second_crops_are_kept(tmp_path):
    take(tmp_path, [{"field_id": "a", "crop_2": "tur", "share_2": 0.3, "plants": 7.0}, {"field_id": "b"}])
    frame = today(tmp_path).frame
    assert frame.crop_2.to_dict() == {"a": "pigeon_pea", "b": ""}
    assert frame.share_2["a"] == 0.3
    assert frame.plants["a"] == 7
    changes = take(tmp_path, [{"field_id": "a", "crop_2": "cotton", "share_2": 0.3, "plants": 7.0}], "later.gpkg")
    assert changes.changes.tolist() == ["crop_2"]


def test_what_a_survey_changed_is_told_a_part_at_a_time_as_the_whole_is(tmp_path, monkeypatch):
    """By hand; the part that is read by name says the same as when everything is read."""
    take(tmp_path, [{"field_id": "1"}, {"field_id": "gone"}, {"field_id": "plain", "crop_2": "tur", "share_2": 0.3}])
    take(tmp_path, [{"field_id": "1", "geometry": square(50), "village": "B", "yield_t_ha": 2.0}], "b.gpkg")
    left, right = shapely.box(30, -15, 30.0004, -14.9992), shapely.box(30.0004, -15, 30.0008, -14.9992)
    rows = [{"field_id": "x", "geometry": left}, {"field_id": "y", "geometry": right}]
    rows += [{"field_id": "1", "geometry": square(50), "village": "B", "crop": "cotton", "yield_t_ha": 1.5}]
    rows += [{"field_id": "plain", "geometry": square(2), "crop_2": "cotton", "share_2": 0.3}]
    take(tmp_path, [*rows, {"field_id": "new", "geometry": square(9)}], "c.gpkg", complete=True)
    with history(tmp_path) as book:
        changes = changes_to_tell(book, 3)
        told = told_of(book, 3, changes)
        area = fields_of(book, 3, ["new", "x"]).frame.area_ha
        assert [row[:3] for row in told] == [
            ("gone", "gone", ""), ("divided", "1@1", "x"), ("divided", "1@1", "y"), ("changed", "1@2", "1"),
            ("changed", "plain", "plain"), ("new", "", "new"),
        ]  # fmt: skip
        assert [told[0][3], *[row[3] for row in told[3:]]] == [
            f"maize, {fields_of(book, 1).frame.area_ha['gone']:.2f} ha, A",
            "crop maize, now cotton; yield, t/ha 2, now 1.5",
            "second crop pigeon pea, now cotton",
            f"maize, {area['new']:.2f} ha, A",
        ]  # fmt: skip
        assert told[1][3].startswith("50% of the old field; ")
        assert [told_of(book, 3, changes[i : i + 1])[0] for i in range(len(changes))] == told
        assert what_changed(book, 3) == "1 new, 1 gone, 2 changed, 1 divided"
        assert what_changed(book, 2) == "1 new"
        assert (count_today(book), len(fields_today(book).frame)) == (5, 5)
        monkeypatch.setattr(history_room, "_MOST_NAMES", 0)
        assert told_of(book, 3, changes) == told
        undo(book, AT, "Joao")
        assert (count_today(book), len(fields_today(book).frame)) == (4, 4)
        with pytest.raises(UsageError, match="no survey 7"):
            what_changed(book, 7)


def test_strange_letters_in_names_can_be_kept(tmp_path):
    """A zero byte is no letter for a database; it is kept as the sign for 'no letter'."""
    rows = [{"village": "A", "field_id": "a"}]
    table(rows).to_file(tmp_path / "fields.gpkg")
    survey = read_survey(tmp_path, season())
    fields = clean_fields(survey, season(), Values.load())
    with history(tmp_path) as book:
        accept(book, survey, fields, tmp_path, AT, "a\x00b\ud800", note="d\u00fc\u4e2d")
        (one,) = surveys(book)
    assert (one.who, one.note) == ("a\ufffdb?", "d\u00fc\u4e2d")


# -------------------------------------------------------------------------------------------------------- the database


def test_an_address_with_a_password_or_of_another_kind_is_refused():
    for address in ("postgresql://u:secret@h/d", "postgresql://h/d?password=secret", "mysql://h/d", "postgresql://h"):
        with pytest.raises(InputError) as caught:
            settings_from({"layers": {"fields": {"file": "x"}}, "history": {"database": address}})
        assert "history.database" in str(caught.value)


def test_each_season_has_a_schema_of_its_own(tmp_path):
    def place(name, address="postgresql://h/d"):
        return history_place(tmp_path, season(season={"name": name}, history={"database": address}))

    assert place("Trial 2027") == "postgresql://h/d?schema=sourcing_trial_2027"
    assert place("Trial", "postgresql://h/d?schema=mine") == "postgresql://h/d?schema=mine"
    long = [place("x" * 80 + end).split("=")[1] for end in "ab"]
    assert long[0] != long[1]
    assert max(len(name) for name in long) <= 63
    assert history_place(tmp_path, season()) == tmp_path / HISTORY_FILE


def test_a_database_that_cannot_be_reached_says_so():
    pytest.importorskip("psycopg")
    with pytest.raises(OutputError, match="cannot be reached"), open_history("postgresql://127.0.0.1:9/none"):
        pass


def test_a_gis_sees_the_fields_of_today_in_postgis(tmp_path, store):
    if store == "file":
        pytest.skip("about PostGIS alone")
    take(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    take(tmp_path, [{"field_id": "b", "crop": "cotton", "geometry": square(1)}], "later.gpkg")
    with history(tmp_path) as book, book.read() as link:
        schema = PLACES[tmp_path].split("schema=")[1]
        rows = link.execute(
            sa.text(f"select field_id, crop, ST_SRID(shape), ST_Area(shape::geography) from {schema}.fields_today")
        ).all()
    found = {r[0]: r[1:] for r in rows}
    assert {k: v[0] for k, v in found.items()} == {"a": "maize", "b": "cotton"}
    assert found["a"][1] == 4326
    assert found["a"][2] / 10_000 == pytest.approx(today(tmp_path).frame.area_ha["a"], rel=1e-6)
