"""Pictures of a week, from a plan and from its finished folder."""

from datetime import date

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from sourcing.cli import main
from sourcing.errors import UsageError
from sourcing.intake.keep import read_record
from sourcing.outputs.pagemaps import land_of
from sourcing.outputs.pages import Page
from sourcing.outputs.programme import programme
from sourcing.outputs.tables import LAYERS_FILE, write_layers, write_record
from sourcing.outputs.weekpicture import overview, scene_from, scene_of, telling_week, week_of, write_week_picture
from tests.unit.planned import planned, without_barrels


def folder_of(plan, path):
    write_record(plan, path / "plan.json")
    write_layers(plan, path / LAYERS_FILE)
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return folder_of(planned(), tmp_path_factory.mktemp("plan"))


def from_plan(plan):
    return scene_of(programme(plan), land_of(plan))


def drawn(scene, week=None):
    page = Page(lying=True)
    overview(page, scene, (20, 30, 180, 140), week)
    return sorted((round(t.x, 1), round(t.y, 1), t.words) for t in page.texts)


@pytest.mark.parametrize("make", [planned, lambda: planned(paths=False), lambda: planned(1, 1, paths=False)])
def test_the_folder_holds_what_the_plan_held(make, tmp_path):
    plan = make()
    whole, read = from_plan(plan), scene_from(read_record(folder_of(plan, tmp_path)), tmp_path / LAYERS_FILE)
    assert read.site_names == whole.site_names
    assert read.calendar == whole.calendar
    assert read.season == whole.season
    np.testing.assert_allclose(read.work.drop(columns="site_id"), whole.work.drop(columns="site_id"), atol=1e-5)
    assert [kind for kind, _, _ in read.land.layers] == [kind for kind, _, _ in whole.land.layers]
    assert len(read.land.fields) == len(whole.land.fields)
    ways = sum(shape.length for _, shapes, _ in whole.land.layers for shape in shapes)
    assert sum(shape.length for _, shapes, _ in read.land.layers for shape in shapes) == pytest.approx(ways, rel=1e-3)
    for week in (None, int(plan.site_weeks["week"].iloc[0])):
        assert [w for *_, w in drawn(read, week)] == [w for *_, w in drawn(whole, week)]


def test_the_command_draws_a_week(folder, tmp_path):
    plan = planned()
    week = plan.calendar.label(int(plan.site_weeks["week"].max()))
    done = CliRunner().invoke(main, ["picture", str(folder), "--week", week, "--to", str(tmp_path / "week.png")])
    assert done.exit_code == 0, done.output
    with Image.open(tmp_path / "week.png") as picture:
        assert picture.width > 1200
        assert len(picture.convert("L").getcolors(256)) > 20


def test_an_unknown_week_and_an_empty_folder_are_misuse(folder, tmp_path):
    wrong = CliRunner().invoke(main, ["picture", str(folder), "--week", "2031-W02"])
    assert wrong.exit_code == 2
    assert planned().calendar.label(0) in wrong.output
    assert CliRunner().invoke(main, ["picture", str(tmp_path)]).exit_code == 2
    write_record(planned(), tmp_path / "plan.json")
    assert "plan the season again" in CliRunner().invoke(main, ["picture", str(tmp_path)]).output


def test_weeks_are_named_in_three_ways():
    calendar = planned().calendar
    label = calendar.label(2)
    monday = calendar.monday(2)
    assert week_of(calendar, label) == week_of(calendar, label[6:]) == week_of(calendar, f"{monday}") == 2
    for wrong in ("2027-13-41", "soon", f"{date(1999, 1, 4)}"):
        with pytest.raises(UsageError, match=label[:4]):
            week_of(calendar, wrong)


def test_this_week_is_drawn_while_barrels_stand_else_the_fullest():
    scene = from_plan(planned())
    standing = scene.work.groupby("week")["barrels"].sum()
    inside = int(standing.index[-1])
    assert telling_week(scene, scene.calendar.monday(inside)) == inside
    assert standing[telling_week(scene, date(1999, 1, 4))] == standing.max()


def test_a_week_without_barrels_is_drawn_too(tmp_path):
    plan = without_barrels(planned())
    write_week_picture(from_plan(plan), 0, tmp_path / "empty.png")
    assert (tmp_path / "empty.png").stat().st_size > 10_000
    record = {**plan.record, "sites": [], "work": [], "carries": []}
    read = scene_from(record, folder_of(plan, tmp_path) / LAYERS_FILE)
    assert read.site_names == {}
    assert drawn(read, 0) == drawn(from_plan(plan), 0)
    with pytest.raises(UsageError, match="no week"):
        write_week_picture(from_plan(plan), plan.calendar.count, tmp_path / "none.png")
