import csv
from importlib import resources

import pytest

from sourcing.intake.cells import fold
from sourcing.intake.cropnames import CropNames
from sourcing.values import Values

NAMES = CropNames(Values.load().crops(), {"MIS": "maize", "12": "cotton", "bare land": "-", "Mil": "sorghum"})


@pytest.mark.parametrize(
    ("word", "crop"),
    [("maize", "maize"), ("Mealies", "maize"), ("JOWAR", "sorghum"), ("bajra", "pearl_millet"), ("Arhar", "pigeon_pea"),
     ("tur", "pigeon_pea"), ("kapas", "cotton"), ("mtama", "sorghum"), ("Mahindi", "maize"), ("Niébé", "cowpea"),
     ("pigeon pea", "pigeon_pea"), ("Pigeon-Pea", "pigeon_pea"), ("MIS", "maize"), ("mis", "maize"), ("12", "cotton")],
)  # fmt: skip
def test_words_become_our_crops(word, crop):
    assert NAMES.resolve([word])[word].crop == crop


def test_the_seasons_own_table_wins_over_the_word_list():
    assert NAMES.resolve(["mil"])["mil"].crop == "sorghum"
    assert CropNames(("pearl_millet",)).resolve(["mil"])["mil"].crop == "pearl_millet"


@pytest.mark.parametrize("word", ["Young fallow", "jachère", "Pasture", "bare land", "परती"])
def test_ground_without_a_crop_says_why(word):
    name = NAMES.resolve([word])[word]
    assert (name.crop, name.what) == ("", "not_a_crop")
    assert word.casefold() in name.reason.casefold()


def test_a_near_miss_is_proposed_and_never_taken():
    name = NAMES.resolve(["maiiz"])["maiiz"]
    assert (name.crop, name.what) == ("", "unknown_crop")
    assert name.proposals[0] == "maize"
    assert "-" in NAMES.resolve(["falow"])["falow"].proposals


def test_a_word_like_nothing_has_no_proposal():
    assert NAMES.resolve(["qqzzx"])["qqzzx"].proposals == ()


def test_a_known_crop_without_figures_is_told_apart_from_an_unknown_word():
    assert CropNames(("maize",)).resolve(["kapas"])["kapas"].what == "no_figures"


def test_every_word_of_the_list_means_a_crop_with_figures_and_none_stands_twice():
    text = resources.files("sourcing").joinpath("data/crop_words.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    crops = set(Values.load().crops()) | {"-"}
    assert sorted({r["crop"] for r in rows} - crops) == []
    assert [r["word"] for r in rows if r["crop"] == "-" and not r["reason"]] == []
    folded = [fold(r["word"]) for r in rows]
    assert (
        sorted(
            {w for w in folded if folded.count(w) > 1 and len({r["crop"] for r in rows if fold(r["word"]) == w}) > 1}
        )
        == []
    )
    assert [
        r["word"] for r in rows if fold(r["word"]) in {fold(c) for c in crops} and fold(r["crop"]) != fold(r["word"])
    ] == []
