"""Loads against the published limits, effort and heat."""

import pandas as pd
import pytest

from sourcing.carrying.carry import modes_of
from sourcing.carrying.effort import effort_table, heat_cautions, load_cautions
from sourcing.values import Values
from sourcing.words import load_words
from tests.walks import VALUES, season

MODES = {m.name: m for m in modes_of(season(carrying={"modes": ["head_load", "pole_pair", "handcart"]}), VALUES)}


def loads(*pairs):
    return pd.DataFrame(pairs, columns=["mode", "load_wet_kg"])


def said(cautions, language="en"):
    return [caution.text(load_words(language)) for caution in cautions]


@pytest.mark.parametrize(
    ("kg", "words"),
    [(14, None), (15, None), (16, "under 20 or over 45 (15 kg)"), (20, "(15 kg)"), (21, "too much for women, and"),
     (24, "23 kg that one person should lift"), (26, "25 kg that is the reference for men"), (56, "ever carry more")],
)  # fmt: skip
def test_each_limit_has_its_caution(kg, words):
    # ISO 11228-1 reference masses 25 / 20 / 15 kg, NIOSH load constant 23 kg, ILO Recommendation 128: 55 kg.
    found = [t for t in said(load_cautions(loads(("head_load", kg)), MODES, VALUES)) if "reaches" in t]
    if words is None:
        assert found == []
    else:
        assert len(found) == 1
        assert words in found[0]


def test_two_people_share_a_load_and_a_cart_bears_it_itself():
    assert load_cautions(loads(("pole_pair", 30.0), ("handcart", 150.0)), MODES, VALUES) == ()
    assert "20 kg a person" in said(load_cautions(loads(("pole_pair", 40.0)), MODES, VALUES))[0]


def test_the_built_in_payloads_stay_within_the_reference_mass_for_men():
    for name in ("head_load", "back_load", "pole_pair"):
        mode = modes_of(season(carrying={"modes": [name]}), VALUES)[0]
        assert mode.payload_wet_kg / mode.people <= VALUES["carry.limit.man_kg"]


def test_effort_is_pandolf_for_one_person():
    # By hand: 60 kg, 20 kg, 4 km/h on dirt (1.1): 1.5·60 + 2·80/9 + 1.1·80·1.5·(4/3.6)².
    table = effort_table(loads(("head_load", 20.0)), MODES, VALUES)
    want = 90 + 2 * 80 / 9 + 1.1 * 80 * 1.5 * (4 / 3.6) ** 2
    assert table.loc["head_load", "power_w"] == pytest.approx(want)
    assert table.loc["head_load", "empty_w"] < table.loc["head_load", "power_w"] + 50


def test_hard_work_is_told():
    uphill = Values.load({"carry.effort.hard_work_w": 200})
    assert any("hard work" in t for t in said(load_cautions(loads(("head_load", 14.0)), MODES, uphill)))


def test_heat_is_told_for_the_weeks_of_carrying_only():
    warm = pd.Series([20.0, 35.0, 38.0, 25.0], index=[0, 1, 2, 3])
    assert heat_cautions(warm, pd.Index([0, 3]), VALUES) == ()
    (text,) = said(heat_cautions(warm, pd.Index([0, 2, 3]), VALUES))
    assert "1 of 3 weeks" in text
    assert "38 °C" in text
