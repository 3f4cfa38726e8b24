import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sourcing.errors import OutputError
from sourcing.outputs.folder import UNFINISHED, latest_plan, new_plan_folder

WHEN = datetime(2027, 4, 5, 6, 7, 8, tzinfo=UTC)


def test_a_plan_appears_only_when_it_is_whole(tmp_path):
    with new_plan_folder(tmp_path, WHEN) as target:
        (target.work / "plan.json").write_text("{}")
        assert latest_plan(tmp_path) is None
    assert latest_plan(tmp_path) == target.final
    assert [p.name for p in target.final.iterdir()] == ["plan.json"]
    assert target.final.name == "2027-04-05-060708"


@pytest.mark.parametrize("stop", [RuntimeError, KeyboardInterrupt, SystemExit])
def test_an_interrupted_plan_leaves_nothing_behind(tmp_path, stop):
    with new_plan_folder(tmp_path, WHEN) as first:
        (first.work / "plan.json").write_text("old")
    with pytest.raises(stop), new_plan_folder(tmp_path, WHEN) as second:
        (second.work / "plan.json").write_text("half")
        raise stop
    assert [p.name for p in (tmp_path / "plans").iterdir()] == [first.final.name]
    assert (first.final / "plan.json").read_text() == "old"


def test_what_killed_runs_left_is_cleared_away_on_a_later_day(tmp_path):
    old, fresh, mine = (tmp_path / "plans" / name for name in (f"{UNFINISHED}old", f"{UNFINISHED}fresh", "2027-old"))
    for left in (old, fresh, mine):
        left.mkdir(parents=True)
        (left / "map.html").write_text("half")
    for left in (old, mine):
        os.utime(left, (0, 0))
    with new_plan_folder(tmp_path, WHEN):
        pass
    assert not old.exists()
    assert fresh.exists()
    assert mine.exists()


def test_two_runs_at_once_do_not_mix(tmp_path):
    with new_plan_folder(tmp_path, WHEN) as one, new_plan_folder(tmp_path, WHEN) as two:
        (one.work / "who").write_text("one")
        (two.work / "who").write_text("two")
    assert one.final != two.final
    assert {(p / "who").read_text() for p in (one.final, two.final)} == {"one", "two"}


def test_a_folder_that_cannot_be_written_is_told_in_words(tmp_path):
    (tmp_path / "plans").write_text("a file where the folder should be")
    with pytest.raises(OutputError, match="cannot write into"), new_plan_folder(tmp_path, WHEN):
        pass


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="needs /dev/full")
def test_a_full_disk_is_told_in_words(tmp_path):
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with (
        pytest.raises(OutputError, match="could not be written"),
        new_plan_folder(tmp_path, WHEN),
        Path("/dev/full").open("w") as sink,
    ):
        sink.write("x" * 100_000)
    assert latest_plan(tmp_path) is None
