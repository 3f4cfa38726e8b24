"""The main job on real fields: a season.toml that only maps columns, and nothing else done to the files."""

import json
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from rich.console import Console

from sourcing.cli import main
from sourcing.console import table_of
from sourcing.outputs.folder import latest_plan
from sourcing.plan import plan_season

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "fields"
WHEN = datetime(2027, 1, 4, 8, 0, tzinfo=UTC)

BURKINA = """
[season]
name = "Smallholder fields"
[layers.fields]
file = "{file}"
[layers.fields.columns]
crop = "CropType1"
season_start = "SOS"
harvest_end = "EOS"
village = "SiteName"
"""

FRANCE = """
[season]
name = "Parcels of one block"
first_day = 2020-07-01
[works]
crew_paid = "by_kilo"
[layers.fields]
file = "{file}"
[layers.fields.columns]
field_id = "id_parcel"
crop = "code_cultu"
[crop_names]
MIS = "maize"
BTH = "wheat"
SOJ = "soybean"
CZH = "rapeseed"
TRN = "sunflower"
ORH = "barley"
AVP = "oats"
SNE = "-"
[crops.maize]
yield_t_ha = 9
harvest_start = "10-01"
harvest_end = "11-10"
[crops.wheat]
yield_t_ha = 7
harvest_start = "07-10"
harvest_end = "08-05"
[crops.soybean]
harvest_start = "09-10"
harvest_end = "10-10"
[crops.rapeseed]
harvest_start = "07-01"
harvest_end = "07-20"
[crops.sunflower]
harvest_start = "09-01"
harvest_end = "09-30"
[crops.barley]
harvest_start = "07-01"
harvest_end = "07-20"
[crops.oats]
harvest_start = "07-15"
harvest_end = "08-05"
"""


def season(folder, text, name):
    path = DATA / name
    if not path.exists():
        pytest.skip(f"the real fields ({name}) are not beside the project")
    (folder / "season.toml").write_text(text.format(file=path.as_posix()), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def burkina(tmp_path_factory):
    return plan_season(season(tmp_path_factory.mktemp("bf"), BURKINA, "bf_koumbia_jecam_100.gpkg"), WHEN)


@pytest.fixture(scope="module")
def france(tmp_path_factory):
    return plan_season(season(tmp_path_factory.mktemp("fr"), FRANCE, "fr_rpg_eolearn_193.gpkg"), WHEN)


def test_every_smallholder_row_is_planned_or_set_aside_with_its_reason(burkina):
    source = gpd.read_file(DATA / "bf_koumbia_jecam_100.gpkg")
    aside = burkina.fields.set_aside
    assert len(burkina.fields.frame) + len(aside) == len(source) == 100
    left_out = source["CropType1"].isna() | source["CropType1"].str.contains("fallow", case=False, na=False)
    assert set(aside["row"]) == {i + 1 for i in range(100) if left_out.iloc[i]}
    assert aside["reason"].str.len().min() > 5


def test_the_smallholder_plan_is_proven_checked_and_keeps_its_mass(burkina):
    record = burkina.record
    assert record["solve"]["gap"] <= 0.005
    assert record["solve"]["bound"] >= record["solve"]["value"]
    assert 0 < record["totals"]["residue_kg"] <= record["totals"]["residue_free_kg"]
    carried = burkina.carries.groupby("lot")["taken_kg"].sum()
    free = burkina.supply.lots["mass_kg"].reindex(carried.index)
    assert (carried <= free * (1 + 1e-9) + 1e-6).all()
    by_site = burkina.carries.groupby("site_id")["mass_kg"].sum()
    assert by_site.sum() == pytest.approx(burkina.site_table["residue_kg"].sum(), rel=1e-9)


def test_french_parcels_are_planned_through_a_table_of_crop_codes(france):
    source = gpd.read_file(DATA / "fr_rpg_eolearn_193.gpkg")
    known = source["code_cultu"].isin(["MIS", "BTH", "SOJ", "CZH", "TRN", "ORH", "AVP"])
    assert len(france.fields.frame) == known.sum()
    reasons = france.fields.set_aside.set_index("row")["what"]
    assert len(reasons) == (~known).sum()
    assert (reasons[[i + 1 for i in source.index[source["code_cultu"] == "SNE"]]] == "not_a_crop").all()
    assert (reasons[[i + 1 for i in source.index[source["code_cultu"] == "PPH"]]] == "unknown_crop").all()


def test_the_command_writes_a_plan_folder_that_other_tools_can_read(tmp_path):
    folder = season(tmp_path, BURKINA, "bf_koumbia_jecam_100.gpkg")
    done = CliRunner().invoke(main, ["plan", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    target = latest_plan(folder)
    assert json.loads(done.stdout)["folder"] == str(target)
    assert {p.name for p in target.iterdir()} >= {"plan.json", "plan.gpkg", "plan.xlsx", "map.html"}
    record = json.loads((target / "plan.json").read_text(encoding="utf-8"))
    sites = gpd.read_file(target / "plan.gpkg", layer="sites")
    assert sorted(sites["site_id"]) == sorted(s["id"] for s in record["sites"])
    book = openpyxl.load_workbook(target / "plan.xlsx", read_only=True)
    rows = list(book["Barrels by week"].iter_rows(values_only=True))
    heads = rows[0]
    weeks = [i for i, head in enumerate(heads) if str(head) in record["weeks"]]
    totals = [sum(row[i] for row in rows[1:]) for i in weeks]
    assert totals == [sum(s["barrels_by_week"][w] for s in record["sites"]) for w in range(len(record["weeks"]))]
    book.close()


def test_the_record_has_the_keys_that_scripts_rely_on(burkina):
    record = burkina.record
    assert set(record) >= {
        "version", "made_at", "settings", "inputs", "findings", "weeks", "solve", "totals", "villages", "sites",
        "carries", "values_used", "cautions",
    }  # fmt: skip
    assert set(record["inputs"][0]) >= {"path", "sha256", "rows"}
    assert set(record["findings"]) >= {"kept", "mended", "set_aside"}
    assert set(record["solve"]) >= {"goal", "status", "value", "bound", "gap", "seconds"}
    assert set(record["totals"]) >= {"residue_kg", "char_kg", "barrel_weeks_busy", "carry_km", "carry_h", "margin"}
    site = record["sites"][0]
    assert set(site) >= {
        "id", "village", "lon", "lat", "barrels_by_week", "busy_by_week", "residue_kg", "char_kg", "mean_carry_m",
        "several_weeks",
    }  # fmt: skip
    assert set(record["villages"][0]) >= {"id", "name", "deploy", "barrels_by_week", "busy_by_week", "several_weeks"}
    assert set(record["carries"][0]) >= {"field", "site", "residue", "week", "mass_kg", "distance_m", "loads"}
    assert set(record["values_used"][0]) >= {"name", "crop", "value", "unit", "source", "standing"}
    assert all(0 <= b <= 1 for s in record["sites"] for b in s["busy_by_week"])
    json.dumps(record, allow_nan=False)


def test_every_plan_says_that_distances_are_straight_lines_where_no_paths_are_given(burkina):
    assert any("straight line" in c for c in burkina.record["cautions"])


def test_several_weeks_are_counted_as_the_planner_would(burkina):
    fleet = burkina.settings.fleet
    for site in burkina.record["sites"]:
        pairs = zip(site["barrels_by_week"], site["busy_by_week"], strict=True)
        assert site["several_weeks"] == sum(b >= fleet.several and busy >= fleet.busy_floor - 1e-4 for b, busy in pairs)


def test_a_fleet_of_one_barrel_is_never_in_two_places(tmp_path):
    text = BURKINA + "[fleet]\nbarrels = 1\n"
    plan = plan_season(season(tmp_path, text, "bf_koumbia_jecam_100.gpkg"), WHEN)
    assert plan.site_weeks.groupby("week")["barrels"].sum().max() == 1


@pytest.mark.parametrize(
    ("words", "code"),
    [(["plan", "nowhere"], 1), (["plan"], 2), (["fly"], 2), (["values", "no.such.figure"], 2), (["settings"], 0)],
)
def test_exit_codes(words, code):
    assert CliRunner().invoke(main, words).exit_code == code


@pytest.mark.parametrize(
    ("words", "whole"),
    [
        (["values", "carry"], ["carry.head_load.speed_loaded_km_h", "ciskei_firewood_1990", "0.1 to 0.25"]),
        (["settings"], ["placement.clear_share = 0.8", "layers.no_go", "carrying.elevation_smooth_m"]),
        (["settings", "columns"], ["share_promised", "determination_datetime", "yield_2_t_ha"]),
    ],
)
def test_lists_cut_no_name_and_no_number_short_on_a_narrow_terminal(words, whole):
    text = CliRunner(env={"COLUMNS": "60"}).invoke(main, words).output
    assert [w for w in whole if w not in text] == []
    assert "('" not in text  # nothing as the program writes it for itself


def test_a_table_cuts_nothing_short(capsys):
    table = table_of("Village", "Barrel-weeks", "Char, t", first_whole=True)
    table.add_row("Mbeta-sur-Rive-et-de-la-Montagne", "1234567", "101,367.92")
    Console(width=60).print(table)
    shown = capsys.readouterr().out
    assert "…" not in shown
    assert all(w in shown for w in ("Mbeta-sur-Rive-et-de-la-Montagne", "Barrel-weeks", "1234567"))


def test_a_season_in_which_no_plan_is_possible_says_why(tmp_path):
    text = BURKINA + "[supply]\nresidues = ['sugarcane/tops']\n"
    folder = season(tmp_path, text, "bf_koumbia_jecam_100.gpkg")
    done = CliRunner().invoke(main, ["plan", str(folder)])
    assert done.exit_code == 3, done.output
    assert "No plan is possible" in done.stderr
    assert not list((folder / "plans").glob("*")) if (folder / "plans").exists() else True


def test_start_makes_a_season_that_can_be_read_and_never_overwrites(tmp_path):
    runner = CliRunner()
    assert runner.invoke(main, ["start", str(tmp_path / "new")]).exit_code == 0
    text = (tmp_path / "new" / "season.toml").read_text(encoding="utf-8")
    assert runner.invoke(main, ["start", str(tmp_path / "new")]).exit_code == 2
    assert (tmp_path / "new" / "season.toml").read_text(encoding="utf-8") == text
    told = runner.invoke(main, ["check", str(tmp_path / "new")])
    assert told.exit_code == 1
    assert "fields.gpkg" in told.stderr


def test_check_writes_nothing(tmp_path):
    folder = season(tmp_path, BURKINA, "bf_koumbia_jecam_100.gpkg")
    before = sorted(p.name for p in folder.rglob("*"))
    done = CliRunner().invoke(main, ["check", str(folder), "--json"])
    assert json.loads(done.stdout)["kept"] == 75
    assert sorted(p.name for p in folder.rglob("*")) == before


def test_findings_table_has_no_missing_values(burkina):
    frame = pd.DataFrame([f.as_dict() for f in burkina.findings])
    assert frame[["grade", "file", "what", "found", "expected", "remedy"]].notna().all().all()
