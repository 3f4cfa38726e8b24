import os
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime

import pandas as pd
import pytest
import shapely

from sourcing.errors import InputError, OutputError, UsageError
from sourcing.intake.fields import clean_fields
from sourcing.intake.history import (
    HISTORY_FILE,
    accept,
    changes_of,
    fields_of,
    fields_today,
    fingerprint,
    open_history,
    original_files,
    surveys,
    undo,
)
from sourcing.intake.survey import read_survey
from sourcing.values import Values
from tests.surveys import season, square, table

AT = datetime(2027, 4, 1, 12, tzinfo=UTC)


def take(folder, rows, name="fields.gpkg", **options):
    """Writes a survey, cleans it and accepts it; returns the changes."""
    table([{"village": "A", **r} for r in rows]).to_file(folder / name)
    settings = season(layers={"fields": {"file": name}})
    survey = read_survey(folder, settings)
    with open_history(folder / HISTORY_FILE) as book:
        return accept(book, survey, clean_fields(survey, settings, Values.load()), folder, AT, "Amina", **options)


def today(folder):
    with open_history(folder / HISTORY_FILE) as book:
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
    with open_history(tmp_path / HISTORY_FILE) as book:
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
    with open_history(tmp_path / HISTORY_FILE) as book:
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
    with open_history(tmp_path / HISTORY_FILE) as book:
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
    with open_history(tmp_path / HISTORY_FILE) as book, pytest.raises(InputError, match=r"2027-04-01.*Amina"):
        accept(book, survey, clean_fields(survey, settings, Values.load()), tmp_path, AT, "Amina")
    assert len(today(tmp_path).frame) == 1


def test_a_shapefile_is_kept_with_its_siblings(tmp_path):
    table([{}])[["crop", "geometry"]].to_file(tmp_path / "f.shp")
    fixed = {"harvest_start": "2027-04-20", "harvest_end": "2027-05-01"}
    settings = season(layers={"fields": {"file": "f.shp", "fixed": fixed}})
    survey = read_survey(tmp_path, settings)
    with open_history(tmp_path / HISTORY_FILE) as book:
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
    with open_history(tmp_path / HISTORY_FILE) as book:
        assert len(surveys(book)) == 1


def test_a_history_in_use_says_so(tmp_path, monkeypatch):
    take(tmp_path, [{"field_id": "a"}])
    monkeypatch.setattr("sourcing.intake.history._WAIT_S", 0.1)
    other = sqlite3.connect(tmp_path / HISTORY_FILE, isolation_level=None)
    other.execute("begin exclusive")
    try:
        with pytest.raises(OutputError, match="in use"):
            today(tmp_path)
    finally:
        other.close()


def test_a_file_that_is_no_history_and_one_from_the_future_are_refused(tmp_path):
    (tmp_path / "a.sqlite").write_bytes(b"this is not a database at all, " * 100)
    with pytest.raises(InputError, match="cannot be read"), open_history(tmp_path / "a.sqlite"):
        pass
    with sqlite3.connect(tmp_path / "b.sqlite") as book:
        book.execute("create table x (y)")
    book.close()
    with pytest.raises(InputError, match="another kind"), open_history(tmp_path / "b.sqlite"):
        pass
    with open_history(tmp_path / "c.sqlite") as book:
        book.execute("pragma user_version = 99")
    with pytest.raises(InputError, match="newer version"), open_history(tmp_path / "c.sqlite"):
        pass


def test_a_folder_that_is_not_there_says_so(tmp_path):
    with pytest.raises(OutputError, match="cannot be written"), open_history(tmp_path / "no" / "h.sqlite"):
        pass


def test_a_full_disk_changes_nothing(tmp_path):
    take(tmp_path, [{"field_id": "a"}])
    before = fingerprint(today(tmp_path))
    table([{"field_id": f"n{i}"} for i in range(200)]).to_file(tmp_path / "big.gpkg")
    settings = season(layers={"fields": {"file": "big.gpkg"}})
    survey = read_survey(tmp_path, settings)
    fields = clean_fields(survey, settings, Values.load())
    with pytest.raises(OutputError, match="disk is full"), open_history(tmp_path / HISTORY_FILE) as book:
        (pages,) = book.execute("pragma page_count").fetchone()
        book.execute(f"pragma max_page_count = {pages + 2}")
        accept(book, survey, fields, tmp_path, AT, "x")
    assert fingerprint(today(tmp_path)) == before


KILLED = """
import sys
from pathlib import Path
from datetime import datetime
from sourcing.intake.fields import clean_fields
from sourcing.intake.history import accept, open_history, undo
from sourcing.intake.survey import read_survey
from sourcing.values import Values
from tests.surveys import season
folder = Path(sys.argv[1])
settings = season(layers={"fields": {"file": "later.gpkg"}})
survey = read_survey(folder, settings)
fields = clean_fields(survey, settings, Values.load())
print("ready", flush=True)
with open_history(folder / "history.sqlite") as book:
    while True:
        accept(book, survey, fields, folder, datetime(2027, 5, 1), "x")
        undo(book, datetime(2027, 5, 1), "x")
"""


@pytest.mark.parametrize("run", range(5))
def test_killed_at_any_moment_the_history_is_one_or_the_other(tmp_path, run):
    take(tmp_path, [{"field_id": f"f{i}"} for i in range(30)])
    without = fingerprint(today(tmp_path))
    table([{"village": "A", "field_id": f"f{i}", "crop": "cotton"} for i in range(30)]).to_file(tmp_path / "later.gpkg")
    with subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        for _ in range(2):
            time.sleep(0.05 + 0.037 * run)
        os.kill(child.pid, signal.SIGKILL)
    state = today(tmp_path)
    assert set(state.frame.crop) in ({"maize"}, {"cotton"})
    assert len(state.frame) == 30
    with open_history(tmp_path / HISTORY_FILE) as book:
        assert book.execute("pragma integrity_check").fetchone() == ("ok",)
        assert not book.execute("pragma foreign_key_check").fetchall()
        if set(state.frame.crop) == {"cotton"}:
            undo(book, AT, "x")
        assert fingerprint(fields_today(book)) == without
