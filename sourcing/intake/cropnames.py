"""From the crop words of a survey to our crop names.

The season's own table comes first, then our names, then the words in `data/crop_words.csv` (local names in many
languages, and words for ground without a crop). A word that is in none of them stays unknown: the nearest known words
are proposed to a person, and nothing is guessed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources

from rapidfuzz import fuzz, process

from sourcing.intake.cells import fold

NOT_A_CROP = "-"
_LIKENESS = 75.0
"""Least likeness (0 to 100) of a proposed word."""


@dataclass(frozen=True)
class CropName:
    """What a word means: our `crop`, or '' with the `reason` why not and the `proposals` nearest to it."""

    crop: str
    reason: str = ""
    what: str = ""
    proposals: tuple[str, ...] = ()


@cache
def crop_words() -> dict[str, tuple[str, str]]:
    """Folded word to (our crop or '-', reason), from data/crop_words.csv."""
    text = resources.files("sourcing").joinpath("data/crop_words.csv").read_text(encoding="utf-8")
    return {fold(r["word"]): (r["crop"], r["reason"]) for r in csv.DictReader(text.splitlines())}


@dataclass(frozen=True)
class CropNames:
    """The words known this season: `own` from the season's table, `crops` that have figures."""

    crops: tuple[str, ...]
    own: Mapping[str, str] = field(default_factory=dict)

    def bad_targets(self) -> tuple[str, ...]:
        """Crops that the season's own table names and that have no figures."""
        return tuple(sorted({c for c in self.own.values() if c != NOT_A_CROP and c not in self.crops}))

    def resolve(self, words: Iterable[str]) -> dict[str, CropName]:
        """What each word means. The empty word is 'no crop is written'."""
        own = {fold(k) or k.strip(): v for k, v in self.own.items()}
        ours = {fold(c): c for c in self.crops}
        return {w: self._one(w, own, ours) for w in words}

    def _one(self, word: str, own: Mapping[str, str], ours: Mapping[str, str]) -> CropName:
        if not word:
            return CropName("", "no crop is written", "no_crop")
        key = fold(word) or word
        means, reason = "", ""
        if word in self.own or key in own:
            means = self.own.get(word, own.get(key, ""))
            reason = f"'{word}' is not a crop, says the season's own table"
        elif key in ours:
            means = ours[key]
        elif key in crop_words():
            means, why = crop_words()[key]
            reason = f"'{word}' means {why}"
        if means == NOT_A_CROP:
            return CropName("", reason, "not_a_crop")
        if means in self.crops:
            return CropName(means)
        if means:
            return CropName("", f"'{word}' is {means}, for which there are no figures", "no_figures")
        return CropName("", f"'{word}' is not a known crop word", "unknown_crop", self._near(key, own, ours))

    def _near(self, key: str, own: Mapping[str, str], ours: Mapping[str, str]) -> tuple[str, ...]:
        known = {**{k: v for k, (v, _) in crop_words().items()}, **ours, **own}
        found = process.extract(key, list(known), scorer=fuzz.WRatio, score_cutoff=_LIKENESS, limit=5)
        usable = {**dict.fromkeys(self.crops), NOT_A_CROP: None}
        crops = dict.fromkeys(known[word] for word, _, _ in found if known[word] in usable)
        return tuple(crops)[:3]
