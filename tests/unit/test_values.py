"""Figures: the loader, its refusals, and a season's own figures."""

import re

import pytest

from sourcing.errors import InputError
from sourcing.values import STANDINGS, Values, calendar_rows, explain, load_tables, rows, to_csv

HEAD = "name,low,likely,high,unit,basis,source,place,standing,note\n"
SOURCES = {"a.toml": '[book]\ntitle = "T"\nauthors = "A"\nyear = 1999\naddress = "example.org"\n'}


def table(*lines: str) -> Values:
    return load_tables({"x.csv": HEAD + "\n".join(lines) + "\n"}, SOURCES)


def test_a_figure_is_read_with_all_its_cells():
    values = table("crop.maize.stalk.moisture,0.1,0.12,0.2,share,wet_basis,book,p. 3,seen,air dry")
    fig = values.figure("crop.maize.stalk.moisture")
    assert (fig.low, fig.likely, fig.high, fig.unit, fig.basis) == (0.1, 0.12, 0.2, "share", "wet_basis")
    assert values["crop.maize.stalk.moisture"] == 0.12
    assert values.pick("crop.maize.stalk.moisture", "high") == 0.2
    assert values.crops() == ("maize",)
    assert values.residues("maize") == ("stalk",)
    assert values.under("crop.maize") == {"stalk.moisture": fig}
    assert "A (1999). T. example.org" in explain(values, fig.name)


def test_every_fault_is_reported_at_once_with_its_row():
    with pytest.raises(InputError) as caught:
        table(
            "a.b,0.1,1.2,2,share,,book,,seen,",
            "a.c,3,2,1,kg,,book,,seen,",
            "a.d,1,1,1,kg,,,,seen,",
            "a.e,1,1,1,kg,,no_such,,seen,",
            "a.f,1,x,1,kg,,book,,seen,",
            "a.g,1,1,1,kg,,book,,rumour,",
            "a.h,1,1,1,,,book,,seen,",
            "a.i,1,1,1,kg,,book,,seen,",
            "a.i,1,1,1,kg,,book,,seen,",
        )
    assert [(f.row, f.what) for f in caught.value.findings] == [
        (1, "impossible"),
        (2, "not_ordered"),
        (3, "no_source"),
        (4, "unknown_source"),
        (5, "not_a_number"),
        (6, "bad_standing"),
        (7, "no_unit"),
        (9, "twice"),
    ]


def test_an_unknown_name_is_answered_with_the_nearest():
    values = table("crop.maize.stalk.moisture,0.1,0.12,0.2,share,,book,,seen,")
    with pytest.raises(KeyError, match=r"crop\.maize\.stalk\.moisture"):
        values["crop.maize.stalk.moistur"]


def test_columns_must_be_those():
    with pytest.raises(InputError, match="columns"):
        load_tables({"x.csv": "name,likely\na,1\n"}, SOURCES)


@pytest.fixture(scope="module")
def name() -> str:
    return "crop.maize.stalk.residue_to_product"


def test_a_season_number_replaces_the_whole_range_and_says_so(name):
    built_in = Values.load()
    values = Values.load({name: 1.25})
    fig = values.figure(name)
    assert (fig.low, fig.likely, fig.high, fig.standing, fig.overridden) == (1.25, 1.25, 1.25, "own", True)
    assert [f.name for f in values.replaced()] == [name]
    assert re.search("set by this season; built in", explain(values, name))
    assert Values.load().figure(name) == built_in.figure(name)


def test_bad_season_numbers_are_refused_together(name):
    with pytest.raises(InputError) as caught:
        Values.load({"crop.maize.stalk.collectable_share": 1.4, "no.such": 1, name: float("nan")})
    assert {f.what for f in caught.value.findings} == {"impossible", "unknown_figure", "not_a_number"}


def test_a_season_file_replaces_cells_and_may_add_a_crop(tmp_path, name):
    file = tmp_path / "own.csv"
    file.write_text(
        f"name,low,likely,high,unit,note\n{name},,1.1,,kg/kg,weighed\n"
        "crop.teff.straw.residue_to_product,1,1.5,2,kg/kg,weighed\n",
        encoding="utf-8-sig",
    )
    values = Values.load(file=file)
    assert values[name] == 1.1
    assert values.figure(name).note == "weighed"
    assert "teff" in values.crops()
    assert len(values.replaced()) == 2
    again = tmp_path / "again.csv"
    again.write_text(to_csv(values.replaced()), encoding="utf-8")
    assert Values.load(file=again)[name] == 1.1


def test_a_season_file_in_the_wrong_unit_is_refused(tmp_path, name):
    file = tmp_path / "own.csv"
    file.write_text(f"name,likely,unit\n{name},1.1,t/ha\nmade.up,1,kg\n{name},1,\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        Values.load(file=file)
    assert [f.what for f in caught.value.findings] == ["wrong_unit", "unknown_figure", "twice"]


def test_a_missing_season_file_is_a_fault_of_the_input(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        Values.load(file=tmp_path / "none.csv")


def test_rows_filter_by_words_and_standing():
    values = Values.load()
    found = rows(values, "MAIZE stalk", standing="practice")
    assert found
    assert all("maize" in r["name"] and r["standing"] == "practice" for r in found)
    with pytest.raises(KeyError):
        rows(values, standing="gossip")


UNITS = {
    "residue_to_product": "kg/kg", "ratio_moisture": "share", "moisture_harvest": "share", "moisture_ready": "share",
    "drying_days": "d", "drying_rate_day": "1/d", "bulk_wet_kg_m3": "kg/m3", "collectable_share": "share",
    "loss_week_field": "share", "loss_week_cover": "share", "fodder_share": "share", "fuel_share": "share",
    "thatch_share": "share", "barrel_load_wet_kg": "kg", "char_minutes": "min", "char_yield": "kg/kg",
    "raw_ash_share": "share", "char_ash_share": "share", "char_hhv_mj_kg": "MJ/kg", "char_form": "code",
    "lies_in_field": "code", "serves_cover": "code", "above_ground_share": "share",
}  # fmt: skip


def test_every_residue_has_every_figure_in_its_unit():
    values = Values.load()
    for crop in values.crops():
        for residue in values.residues(crop):
            own = {k: f for k, f in values.under(f"crop.{crop}.{residue}").items() if k != "per_plant_dry_kg"}
            assert {k: f.unit for k, f in own.items()} == UNITS, f"{crop}/{residue}"
            assert own["moisture_ready"].likely <= 0.2
            assert own["char_form"].likely in (0, 1)
            for key in ("moisture_harvest", "moisture_ready", "ratio_moisture"):
                assert own[key].basis == "wet_basis"
            assert own["residue_to_product"].basis in ("as_received", "dry")
            assert own["barrel_load_wet_kg"].basis == "as_received"
            assert own["char_yield"].basis == "dry"


def test_calendars_are_rows_and_days_come_in_order_but_for_the_year_end():
    values = Values.load()
    assert {"southern_africa", "semi_arid_india", "west_africa"} <= set(values.regions())
    (cotton,) = calendar_rows(values, "southern_africa", "cotton")
    assert cotton["clear_by"] == "10-01"
    assert len(calendar_rows(values)) == len(values.windows)


def test_every_built_in_standing_is_explained_and_sources_are_used():
    values = Values.load()
    assert {f.standing for f in values.figures.values()} <= set(STANDINGS) - {"own"}
    used = {f.source for f in values.figures.values()} | {w.source for w in values.windows}
    assert used - {""} <= set(values.sources)
