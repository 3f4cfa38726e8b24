"""Columns guessed from headings and cells; the expected answers are what the surveys' own makers say they mean."""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from sourcing.intake.guess import describe, guess_columns
from sourcing.intake.survey import columns_of
from sourcing.values import Values

ROOT = Path(__file__).resolve().parents[2]
CROPS = Values.load().crops()


def guessed(frame, kind="fields"):
    return guess_columns(
        describe(pd.DataFrame(frame.drop(columns="geometry", errors="ignore")), CROPS), columns_of(kind).values()
    )


def test_the_demo_s_headings_are_all_found():
    """As demo_maps/season/season.toml maps them."""
    found = guessed(gpd.read_file(ROOT / "demo_maps" / "season" / "survey.gpkg", rows=400))
    assert found == {
        "field_id": "plot_no", "village": "hamlet", "crop": "main_crop", "yield_t_ha": "yield_t",
        "harvest_start": "reaped_from", "harvest_end": "reaped_to", "clear_by": "free_until",
        "share_promised": "promised", "consent": "agrees",
    }  # fmt: skip


def test_real_smallholder_fields():
    """JECAM's fields of Koumbia: CropType1 is the crop, SOS and EOS start and end of the season, SiteName the site."""
    path = ROOT.parent / "shared" / "data" / "fields" / "bf_koumbia_jecam_100.gpkg"
    if not path.exists():
        pytest.skip("the real fields are not beside the project")
    found = guessed(gpd.read_file(path))
    assert found["crop"] == "CropType1"
    assert found["village"] == "SiteName"
    assert found["harvest_end"] == "EOS"
    assert found["season_start"] == "SOS"
    assert not {"Weeding", "Irrigated", "Intercrop", "Country", "DataSource", "KeyWords"} & set(found.values())


def test_words_for_crops_tell_the_crop_whatever_stands_above_them():
    assert guessed(pd.DataFrame({"q7": ["maize", "cotton", "millet"], "q8": ["x", "y", "z"]})) == {"crop": "q7"}


def test_each_heading_is_taken_once_and_a_person_s_name_never():
    frame = pd.DataFrame(
        {"farmer": ["Ana", "Ben"], "phone": ["0712", "0713"], "village": ["A", "A"], "village_2": ["B", "B"]}
    )
    found = guessed(frame)
    assert found == {"village": "village"}


def test_an_empty_column_is_guessed_by_its_heading_only():
    assert guessed(pd.DataFrame({"harvest_end": [None, None]})) == {"harvest_end": "harvest_end"}
    assert guessed(pd.DataFrame({"zz": [None, None]})) == {}
