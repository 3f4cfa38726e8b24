"""A climate table named in the season reaches the plan: days fit for work, and a word of heat."""

from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import pytest

from sourcing.plan import plan_season

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "fields" / "bf_koumbia_jecam_100.gpkg"
WHEN = datetime(2027, 1, 4, 8, 0, tzinfo=UTC)


def plan_with(folder, **weather):
    if not DATA.exists():
        pytest.skip("the real fields are not beside the project")
    table = {
        "week": [f"2014-W{w:02d}" for w in range(1, 53)],
        "humidity_pct": 30.0,
        "temperature_c": 28.0,
        "rain_mm": 0.0,
        "wind_km_h": 8.0,
    }
    pd.DataFrame({**table, **weather}).to_csv(folder / "climate.csv", index=False)
    text = f"""
    [layers]
    climate = "climate.csv"
    [layers.fields]
    file = "{DATA.as_posix()}"
    columns = {{ crop = "CropType1", harvest_end = "EOS", village = "SiteName" }}
    """
    (folder / "season.toml").write_text(text, encoding="utf-8")
    return plan_season(folder, WHEN)


def test_dry_weeks_have_the_season_s_days_and_holidays_take_some_away(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    usual, feast = plan_with(tmp_path / "a"), plan_with(tmp_path / "b", holidays=2.0)
    assert set(usual.settings.fleet.days_in_week.values()) == {6.0}
    assert set(feast.settings.fleet.days_in_week.values()) == {4.0}
    assert feast.works.site_weeks["fire_days"].max() <= 4
    assert usual.works.site_weeks["fire_days"].max() > 4


def test_heat_is_told_only_where_it_is_hot(tmp_path):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    mild, hot = plan_with(tmp_path / "a", temperature_c=20.0), plan_with(tmp_path / "b", temperature_c=41.0)
    assert not any("cool hours" in c for c in mild.record["cautions"])
    assert any("cool hours" in c for c in hot.record["cautions"])
