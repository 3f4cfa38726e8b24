import openpyxl
import pandas as pd
import pytest
import shapely

from sourcing.errors import Finding, OutputError
from sourcing.intake.fields import clean_fields
from sourcing.intake.sendback import findings_places, findings_table, safe_csv, summary, to_send_back, write_send_back
from sourcing.intake.survey import read_survey
from sourcing.values import Values
from tests.surveys import season, square, table

EVIL = '=HYPERLINK("http://192.0.2.1","maize")'


@pytest.fixture
def survey(tmp_path):
    bow = shapely.Polygon([(30.01, -15), (30.011, -14.999), (30.011, -15), (30.01, -14.999)])
    rows = [
        {"crop": EVIL, "village": "A", "consent": "no"}, {"village": "A", "consent": "yes"},
        {"geometry": bow, "village": "A", "consent": "yes"},
        {"geometry": None, "village": "+A"}, {"geometry": square(50), "crop": "fallow"},
        {"geometry": square(51), "crop": "fallow", "consent": "yes"},
    ]  # fmt: skip
    table(rows).to_file(tmp_path / "fields.gpkg")
    return read_survey(tmp_path, season())


@pytest.fixture
def fields(survey):
    return clean_fields(survey, season(), Values.load())


def test_the_gravest_findings_come_first(fields):
    found = findings_table(fields.findings)
    assert found.grade.tolist() == sorted(found.grade, key=["refused", "set_aside", "mended", "look"].index)
    assert len(found) == len(fields.findings)


def test_the_summary_names_rows_and_what_to_do(fields):
    lines = summary(fields.findings)
    (line,) = [x for x in lines if "not a crop" in x]
    assert "2 rows (5, 6)" in line
    assert "To do:" in line
    assert len(lines) < len(fields.findings)


def test_findings_have_their_place(survey, fields):
    places = findings_places(survey.fields, fields.findings)
    assert set(places.row) == {1, 3, 5, 6}  # row 4 has no shape
    assert places.crs.to_epsg() == 4326
    assert places[places.row == 5].geometry.iloc[0].within(square(50))


def test_the_file_to_send_back_holds_each_troubled_row_once_as_written(survey, fields):
    back = to_send_back(survey.fields, fields.findings)
    assert back.row.tolist() == [1, 3, 4, 5, 6]
    assert back.crop.iloc[0] == EVIL
    assert "household" in back.found.iloc[0]
    assert back.needs.tolist() == ["set aside", "mended", "set aside", "set aside", "set aside"]


def test_a_formula_stays_text_in_the_file_to_send_back(tmp_path, survey, fields):
    assert write_send_back(tmp_path / "back.xlsx", survey.fields, fields.findings) == 5
    sheet = openpyxl.load_workbook(tmp_path / "back.xlsx").active
    heads = [c.value for c in sheet[1]]
    cell = sheet.cell(2, heads.index("crop") + 1)
    assert cell.value == EVIL
    assert cell.data_type == "s"


def test_no_cell_of_the_csv_begins_like_a_formula(survey, fields):
    text = safe_csv(to_send_back(survey.fields, fields.findings))
    back = pd.read_csv(pd.io.common.StringIO(text), dtype=str, keep_default_na=False)
    assert not back.map(lambda v: v.startswith(("=", "+", "-", "@"))).to_numpy().any()
    assert back.crop.iloc[0] == "'" + EVIL


def test_nothing_found_is_an_empty_file(survey):
    assert len(to_send_back(survey.fields, [])) == 0
    assert findings_table([]).empty
    assert summary([Finding("look", "f", None, "x", "a", "b", "c")]) == ["look: f: a. Expected: b. To do: c."]


def test_a_file_that_cannot_be_written_says_so(tmp_path, survey, fields):
    with pytest.raises(OutputError, match="could not be written"):
        write_send_back(tmp_path / "nowhere" / "back.xlsx", survey.fields, fields.findings)
