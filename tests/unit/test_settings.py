import tomllib
from datetime import date

import pytest

from sourcing.errors import InputError
from sourcing.options import options, season_text, section_meanings
from sourcing.settings import Settings, parse_settings, read_settings

LEAST = '[layers.fields]\nfile = "f.gpkg"\n'


def test_all_faults_of_a_season_file_come_at_once_with_where_and_what_to_do():
    text = LEAST + '[fleet]\nbarels = 3\nbusy_floor = 1.5\n[season]\nfirst_day = "soon"\n'
    with pytest.raises(InputError) as caught:
        parse_settings(text)
    told = [f.found for f in caught.value.findings]
    assert len(told) == 3
    assert any("fleet.barels" in t for t in told)
    assert any("fleet.busy_floor" in t and "1.5" in t for t in told)
    assert any("season.first_day" in t for t in told)
    assert all(f.remedy and f.expected for f in caught.value.findings)


def test_a_season_without_fields_is_refused():
    with pytest.raises(InputError, match="layers"):
        parse_settings("")


def test_text_that_is_not_toml_names_the_line():
    with pytest.raises(InputError, match="line 1"):
        parse_settings("[season\n")


def test_a_missing_folder_says_how_to_make_one(tmp_path):
    with pytest.raises(InputError, match="sourcing start"):
        read_settings(tmp_path / "nowhere")


def test_a_byte_order_mark_is_not_in_the_way(tmp_path):
    (tmp_path / "season.toml").write_text("\ufeff" + LEAST, encoding="utf-8")
    assert read_settings(tmp_path).layers.fields.file == "f.gpkg"


def test_not_a_number_is_refused():
    with pytest.raises(InputError, match="busy_floor"):
        parse_settings(LEAST + "[fleet]\nbusy_floor = nan\n")


def test_the_new_season_file_means_the_defaults():
    assert parse_settings(season_text()) == Settings.model_validate({"layers": {"fields": {"file": "fields.gpkg"}}})


def test_every_commented_default_can_be_uncommented():
    """Takes the # away from every option line, and the file still means the defaults."""
    lines, section = [], ""
    for line in season_text().splitlines():
        bare = line.removeprefix("# ")
        if line.startswith("["):
            section = line
        is_option = any(bare.startswith(f"{o.name} = ") and f"[{o.section}]" == section for o in options())
        lines.append(bare if is_option and "…" not in bare and line.startswith("# ") else line)
    assert any(line.startswith("barrels = ") for line in lines)
    assert parse_settings("\n".join(lines)) == parse_settings(season_text())


def test_every_option_and_group_has_a_meaning():
    assert [o.path for o in options() if not o.meaning] == []
    assert [name for name, meaning in section_meanings().items() if not meaning] == []


def test_option_defaults_are_toml_that_means_the_default():
    for option in options():
        if option.default:
            assert tomllib.loads(f"x = {option.default}")["x"] is not None


def test_dates_and_tables_are_read():
    found = parse_settings(LEAST + '[fleet]\nbarrels_from = { "2027-05-01" = 20 }\n[crops.maize]\nyield_t_ha = 2\n')
    assert found.fleet.barrels_from == {date(2027, 5, 1): 20}
    assert found.crops["maize"].yield_t_ha == 2
