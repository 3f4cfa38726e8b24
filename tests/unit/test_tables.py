"""The spreadsheet and the layers, read back with libraries that did not write them."""

from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from sourcing.outputs.tables import heading, workbook_tables, write_workbook
from sourcing.plan import plan_season

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
    [("mean_carry_m", "mean carry [m]"), ("residue_kg", "residue [kg dry]"), ("char_kg", "char [kg]"),
     ("bulk_wet_kg_m3", "bulk wet [kg/m³]"), ("village", "village")],
)  # fmt: skip
def test_headings_are_words_with_units(name, shown):
    assert heading(name) == shown
