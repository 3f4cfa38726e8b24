"""Season files changed by the desk: comments kept, other options untouched, changes from outside never lost."""

import tomllib
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sourcing.desk import forms
from sourcing.desk.seasonfile import ChangedOutsideError, change, changed, read_text, save, value_at
from sourcing.desk.shelf import Shelf, new_file_name, new_folder_name
from sourcing.desk.store import digest, held, is_held, write_whole
from sourcing.errors import InputError, OutputError, UsageError
from sourcing.options import options, season_text
from sourcing.settings import parse_settings
from tests.desk.conftest import CHANGE, OWN

TEXT = """\
# A season of ours.
[season]
name = "Valley"            # as the village calls it
[layers.fields]
file = "fields.csv"
[layers.fields.columns]
crop = "main"              # not "crop2"
[[layers.no_go]]
file = "houses.gpkg"
kind = "house"             # from the register
[[layers.no_go]]
file = "land.gpkg"
layer = "water"
kind = "water"
columns = { name = "n" }
# ---- decisions
[fleet]
barrels = 40               # counted in March
[crop_names]
"g/nuts" = "groundnut"     # coast
"""


def comments(text):
    return [line.split("#", 1)[1] for line in text.splitlines() if "#" in line]


PATHS = st.sampled_from(
    [
        (("fleet", "barrels"), st.one_of(st.none(), st.integers(1, 500))),
        (("fleet", "days_in_week"), st.one_of(st.none(), st.just({"2027-W18": 3}))),
        (("season", "name"), st.one_of(st.none(), st.text(max_size=20))),
        (("season", "first_day"), st.dates(date(2020, 1, 1), date(2040, 1, 1))),
        (("villages", "leave_out"), st.one_of(st.none(), st.lists(st.text(max_size=8), max_size=3))),
        (
            ("wishes", "fixed"),
            st.lists(
                st.fixed_dictionaries(
                    {"village": st.text(max_size=5), "first_day": st.dates(), "last_day": st.dates()}
                ),
                max_size=2,
            ),
        ),
        (("crop_names", 'mealies "x"\n'), st.one_of(st.none(), st.just("maize"))),
        (("values", "money.wage_per_h"), st.one_of(st.none(), st.floats(0, 10))),
        (("crops", "maize"), st.one_of(st.none(), st.fixed_dictionaries({"yield_t_ha": st.floats(0.1, 10)}))),
        (
            ("layers", "no_go"),
            st.lists(st.fixed_dictionaries({"file": st.just("a.csv"), "kind": st.just("house")}), max_size=3),
        ),
        (("layers", "paths"), st.one_of(st.none(), st.just({"file": "p.csv", "columns": {"way": "w"}}))),
    ]
)


@settings(deadline=None, max_examples=150)
@given(st.sampled_from([TEXT, season_text(), '[layers.fields]\nfile = "f.csv"']), st.data())
def test_only_what_is_changed_changes(text, data):
    for path, values in data.draw(st.lists(PATHS, min_size=1, max_size=4)):
        value = data.draw(values)
        before = tomllib.loads(text)
        text = changed(text, {path: value})
        after = tomllib.loads(text)
        assert (value_at(after, path) or None) == (value or None)
        if len(path) == 2:
            other = {k: v for k, v in before.get(path[0], {}).items() if k != path[1]}
            assert {k: v for k, v in after.get(path[0], {}).items() if k != path[1]} == other
        assert {k: v for k, v in after.items() if k != path[0] and v} == {
            k: v for k, v in before.items() if k != path[0] and v
        }


def test_comments_beside_what_stays_stay():
    text = changed(TEXT, {("fleet", "barrels"): 60, ("crop_names", "sunfl."): "sunflower", ("villages", "most"): 4})
    assert comments(text) == comments(TEXT)
    assert "barrels = 60               # counted in March" in text
    rows = tomllib.loads(TEXT)["layers"]["no_go"]
    text = changed(TEXT, {("layers", "no_go"): [{**rows[0], "distance_m": 80.0}, rows[1]]})
    assert comments(text) == comments(TEXT)


def test_a_new_season_s_option_goes_where_it_is_explained():
    text = changed(season_text(), {("fleet", "barrels"): 12})
    lines = text.splitlines()
    at = lines.index("barrels = 12")
    assert lines[at - 1] == "# Barrels in the fleet."
    assert "# barrels = 40" not in lines


def test_every_option_of_a_season_stands_on_one_page_or_on_the_pages_for_files_and_figures():
    shown = [e.name for page in forms.PAGES for group in forms.page_groups(page) for e in group.entries]
    assert len(shown) == len(set(shown))
    other = [o.path for o in options() if o.path not in shown]
    assert all(o.split(".")[0] in forms.ELSEWHERE for o in other)
    for page in forms.PAGES:
        for group in forms.page_groups(page):
            for entry in group.entries:
                assert entry.help, entry.name


def test_what_is_shown_and_sent_back_untouched_changes_nothing():
    raw = tomllib.loads(TEXT)
    for page in forms.PAGES:
        for entry in (e for g in forms.page_groups(page) for e in g.entries):
            shown = forms.shown(entry, raw)
            form = {entry.name: [shown.text or (entry.default if entry.shape in ("choice", "yes_no") else "")]}
            if entry.shape == "rows":
                form = {f"{entry.name}#": [str(len(shown.rows) + 2)]}
                for i, row in enumerate(shown.rows):
                    form |= {f"{entry.name}#{i}.{p.name}": [c] for p, c in zip(entry.parts, row, strict=True)}
            assert (forms.as_table(forms.filled(entry, form, raw), entry) or None) == (
                value_at(raw, entry.path) or None
            )


NUMBERS = {"1,5": 1.5, "1.5": 1.5, "40": 40, "\N{MINUS SIGN}3": -3, "1 500": 1500, "1,500": "1,500", "abc": "abc",
           "1e400": "1e400", "nan": "nan"}  # fmt: skip


@pytest.mark.parametrize(("text", "value"), NUMBERS.items())
def test_numbers_are_read_as_people_write_them_and_doubtful_ones_are_not(text, value):
    assert forms.filled_number(text) == value


def test_a_change_from_outside_is_noticed_and_kept(home, asked, seen):
    page = seen()
    path = home / "valley" / "season.toml"
    outside = changed(path.read_text(encoding="utf-8"), {("fleet", "several"): 2})
    path.write_text(outside, encoding="utf-8")
    answer = asked.post("/s/valley/settings/barrels", headers=CHANGE, data={"seen": page, "fleet.barrels": "77"})
    assert answer.status_code == 409
    assert path.read_text(encoding="utf-8") == outside
    assert 'value="77"' in answer.text
    again = asked.post("/s/valley/settings/barrels", headers=CHANGE, data={"seen": seen(), "fleet.barrels": "77"})
    assert again.status_code == 303
    settled = parse_settings(path.read_text(encoding="utf-8"))
    assert (settled.fleet.barrels, settled.fleet.several) == (77, 2)


def test_of_two_windows_the_second_is_told(home, seen):
    season = Shelf(home).season("valley")
    page = seen()
    change(season, {("fleet", "barrels"): 50}, page)
    with pytest.raises(ChangedOutsideError):
        change(season, {("fleet", "barrels"): 60}, page)
    assert read_text(season).settings.fleet.barrels == 50


def test_a_faulty_form_comes_back_as_it_was_filled_in_and_says_what_is_wrong(home, asked, seen):
    before = (home / "valley" / "season.toml").read_bytes()
    form = {"seen": seen(), "fleet.barrels": "0", "fleet.busy_floor": "7", "season.name": ""}
    answer = asked.post("/s/valley/settings/barrels", headers=CHANGE, data=form)
    assert answer.status_code == 422
    assert answer.text.count("This cannot be") == 2
    assert 'value="7"' in answer.text
    assert (home / "valley" / "season.toml").read_bytes() == before


def test_faulty_text_is_not_saved(home, asked, seen):
    before = (home / "valley" / "season.toml").read_bytes()
    for body in ("no toml [", "[fleet]\nbarrels = 3", '[layers.fields]\nfile = "x"\n[fleet]\nbarels = 3'):
        assert asked.post("/s/valley/file", headers=CHANGE, data={"seen": seen(), "body": body}).status_code == 422
    with pytest.raises(InputError):
        save(Shelf(home).season("valley"), "[fleet]", seen())
    assert (home / "valley" / "season.toml").read_bytes() == before


def test_a_season_file_broken_outside_is_shown_with_what_to_do(home, asked):
    (home / "valley" / "season.toml").write_text("[fleet\n", encoding="utf-8")
    for path in ("/", "/s/valley/survey", "/s/valley/findings", "/s/valley/settings/barrels", "/s/valley/plan",
                 "/s/valley/figures", "/s/valley/choose", "/s/valley/what-if", "/s/valley/file"):  # fmt: skip
        answer = asked.get(path, headers=OWN)
        assert answer.status_code == 200, path
        assert "needs mending" in answer.text, path


def test_figures_of_the_trade_are_set_and_taken_out_again(home, asked, seen):
    path = home / "valley" / "season.toml"
    asked.post("/s/valley/figures", headers=CHANGE, data={"seen": seen(), "own:money.wage_per_h": "0,8"})
    assert parse_settings(path.read_text(encoding="utf-8")).values == {"money.wage_per_h": 0.8}
    bad = asked.post("/s/valley/figures", headers=CHANGE, data={"seen": seen(), "own:money.wage_per_h": "dear"})
    assert bad.status_code == 422
    asked.post("/s/valley/figures", headers=CHANGE, data={"seen": seen(), "own:money.wage_per_h": ""})
    assert parse_settings(path.read_text(encoding="utf-8")).values == {}


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.toml"
    write_whole(path, b"old")
    monkeypatch.setattr("sourcing.desk.store.os.fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space left")))
    with pytest.raises(OutputError):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


def test_a_lock_falls_open_when_its_block_ends(tmp_path):
    path = tmp_path / "x.lock"
    with held(path):
        assert is_held(path)
        with pytest.raises(UsageError), held(path, 0.0):
            pass
    assert not is_held(path)


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=80))
def test_no_name_leaves_its_folder(text):
    for make, given_text in ((new_folder_name, text), (new_file_name, text + ".csv")):
        try:
            name = make(given_text)
        except UsageError:
            continue
        assert "/" not in name
        assert "\\" not in name
        assert not name.startswith(".")
        assert name not in ("", ".", "..")
        assert "\x00" not in name


@pytest.mark.parametrize("name", ["con", "NUL.csv", "a/b", "..", ".x", "x.", "", "x" * 61, "a\nb\x00", "~", "a~b"])
def test_names_that_a_system_minds_are_refused(name):
    with pytest.raises(UsageError):
        new_folder_name(name)


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=30), st.sampled_from(["", "southern_africa", "nowhere"]), st.text(max_size=6))
def test_a_new_season_is_whole_or_not_there(home, asked, name, region, barrels):
    before = {p.name for p in home.iterdir()}
    form = {"name": name, "region": region, "barrels": barrels, "currency": "x"}
    answer = asked.post("/new", headers=CHANGE, data=form)
    made = {p.name for p in home.iterdir()} - before
    assert len(made) == (answer.status_code == 303)
    for folder in made:
        parse_settings((home / folder / "season.toml").read_text(encoding="utf-8"))


def test_digest_of_nothing_is_empty(tmp_path):
    assert digest(tmp_path / "none") == ""
