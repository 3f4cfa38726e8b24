"""The desk's words: written in English where they are used, and looked up by that English in the other languages."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from sourcing.words import FIRST_LANGUAGE, Words, languages, load_words


@dataclass(frozen=True)
class Tongue:
    """One language of the desk."""

    words: Words
    """How maps and sheets say it, and how numbers and days are written."""
    texts: dict[str, str]

    def __call__(self, english: str, **named: object) -> str:
        """The words for an English text with {names} filled in; what no one has translated yet stays English."""
        text = self.texts.get(english, english)
        return text.format(**named) if named else text


@cache
def tongue(code: str) -> Tongue:
    """The desk in a language; English for one that is not known."""
    chosen = code if code in languages() else FIRST_LANGUAGE
    path = files("sourcing") / "data" / "desk_words" / f"{chosen}.toml"
    texts = tomllib.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    return Tongue(load_words(chosen), {str(k): str(v) for k, v in texts.items()})


def preferred(header: str) -> str:
    """The first language of an Accept-Language header that the desk has; '' for none."""
    for part in header.split(","):
        code = part.split(";")[0].strip().lower().split("-")[0]
        if code in languages():
            return code
    return ""
