"""The spreadsheet and the layers, read back with libraries that did not write them."""

import re
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from sourcing.outputs import tables
from sourcing.outputs.tables import heading, workbook_tables, write_workbook
from sourcing.plan import plan_season
from sourcing.words import languages, load_words
from tests.unit.planned import planned, spoken

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "fields"
TRAP = '=HYPERLINK("http://example.invalid","click")'


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    path = DATA / "bf_koumbia_jecam_100.gpkg"
    if not path.exists():
        pytest.skip("the real fields are not beside the project")
    folder = tmp_path_factory.mktemp("trap")
    text = f"""
    [layers.fields]
    file = "{path.as_posix()}"
    columns = {{ crop = "CropType1", harvest_end = "EOS" }}
    fixed = {{ village = '{TRAP}' }}
    """
    (folder / "season.toml").write_text(text, encoding="utf-8")
    return plan_season(folder, datetime(2027, 1, 4, tzinfo=UTC))


def test_a_village_named_like_a_formula_stays_text(plan, tmp_path):
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    trapped = [cell for cell in cells if str(cell.value).startswith("=")]
    assert trapped, "the name should be in the sheets"
    assert all(cell.data_type == "s" for cell in trapped)
    assert not any(cell.hyperlink for cell in cells)


def test_every_sheet_has_a_frozen_heading_and_no_empty_heading(plan, tmp_path):
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    assert [s.title for s in book] == [name for name, _ in workbook_tables(plan)]
    for sheet in book:
        assert sheet.freeze_panes is not None
        assert all(cell.value for cell in sheet[1])


def test_no_heading_carries_a_mass_without_its_unit(plan):
    for _, frame in workbook_tables(plan):
        for column in frame.columns:
            assert not str(column).endswith(("_kg", "_m", "_h", "_ha"))


@pytest.mark.parametrize(
    ("name", "shown"),
    [("mean_carry_m", "Mean way carried [m]"), ("residue_kg", "Residue charred [kg dry]"), ("char_kg", "Char [kg]"),
     ("wet_kg", "Residue as it lies [kg]"), ("bulk_wet_kg_m3", "bulk wet [kg/m³]"), ("village", "Village")],
)  # fmt: skip
def test_headings_are_words_with_units(name, shown):
    assert heading(name, load_words("en")) == shown


@pytest.mark.parametrize("language", languages())
def test_every_heading_and_every_sheet_has_words(language):
    """A column or a sheet that is new needs words: `column.NAME` and `tab.NAME` in the word files."""
    words = load_words(language)
    frames = dict(tables._tables(planned(workshop=True), words))
    columns = {c for frame in frames.values() for c in frame.columns if not c[:4].isdigit()}
    columns |= set(planned(workshop=True).record["totals"])
    assert sorted(c for c in columns if f"column.{c}" not in words.text) == []
    names = {re.sub(r"\W+", "_", name.lower()) for name in frames}
    assert sorted(name for name in names if f"tab.{name}" not in words.text) == []


def test_weeks_stand_as_weeks_in_every_sheet_and_never_as_a_count_from_the_first():
    plan = planned()
    frames = dict(tables._tables(plan, load_words("en")))
    for sheet, column in (("Sites", "first_week"), ("Sites", "last_week"), ("Fields", "ready_week")):
        assert set(frames[sheet][column]) <= set(plan.record["weeks"])
    weeks = [plan.record["weeks"].index(w) for w in frames["Sites"]["first_week"]]
    assert weeks == plan.site_table["first_week"].tolist()
    carried = frames["Fields"].set_index("field_id")["first_carried_week"]
    assert {w == "" for w in carried[plan.field_table["carried_kg"] == 0]} <= {True}
    assert set(carried[plan.field_table["carried_kg"] > 0]) <= set(plan.record["weeks"])


@pytest.mark.parametrize("language", ["en", "hi", "fr"])
def test_the_workbook_speaks_the_season_s_language(language, tmp_path):
    plan, words = spoken(planned(), language), load_words(language)
    write_workbook(plan, tmp_path / "plan.xlsx")
    book = openpyxl.load_workbook(tmp_path / "plan.xlsx")
    villages = book[words("tab.villages")]
    heads = [cell.value for cell in villages[1]]
    assert heads[-1] == words("column.reason")
    assert villages[2][len(heads) - 1].value == words.reason(plan.village_table.iloc[0], plan.settings.fleet.several)
    carries = book[words("tab.carries")]
    at = [cell.value for cell in carries[1]].index(words("column.crop"))
    assert {row[at].value for row in carries.iter_rows(min_row=2)} <= {words.of("crop", c) for c in ("maize", "cotton")}
