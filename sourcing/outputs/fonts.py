"""Letters of the scripts that names and languages are written in, since the reader's machine may not have them.

Each script has a typeface that comes as a package, under the SIL Open Font License. A page carries them cut down to the
script; printed pages take them whole. For other scripts a typeface of this machine is looked for.
"""

from __future__ import annotations

import base64
import io
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import fontpkg
from matplotlib.font_manager import findSystemFonts, fontManager, get_font

PAGE_FAMILY = "Letters in this page"
"""What style rules call all letters that a page carries."""
JOINERS = (0x200C, 0x200D, 0x25CC)
"""Zero-width non-joiner and joiner, dotted circle: needed to shape a script."""
WEIGHTS = (400, 700)
"""Plain and bold."""


@dataclass(frozen=True)
class Script:
    """A script, its signs, and the typeface for it."""

    name: str
    """As the word files name it."""
    family: str
    blocks: tuple[range, ...]
    """Unicode blocks; the first is the script's own, the others extend it."""

    def has(self, sign: str) -> bool:
        """Whether a sign is of this script."""
        return any(ord(sign) in block for block in self.blocks)


SCRIPTS = (
    Script("Devanagari", "Noto Sans Devanagari", (range(0x0900, 0x0980), range(0x1CD0, 0x1D00), range(0xA8E0, 0xA900))),
    Script("Bengali", "Hind Siliguri", (range(0x0980, 0x0A00), range(0x0964, 0x0966))),
    Script("Tamil", "Noto Sans Tamil", (range(0x0B80, 0x0C00),)),
    Script("Telugu", "Noto Sans Telugu", (range(0x0C00, 0x0C80),)),
    Script("Thai", "Noto Sans Thai", (range(0x0E00, 0x0E80),)),
    Script("Khmer", "Noto Sans Khmer", (range(0x1780, 0x1800), range(0x19E0, 0x1A00))),
    Script("Arabic", "Noto Sans Arabic", (
        range(0x0600, 0x0700), range(0x0750, 0x0780), range(0x08A0, 0x0900), range(0xFB50, 0xFE00),
        range(0xFE70, 0xFF00),
    )),
)  # fmt: skip


def scripts_in(text: str) -> tuple[Script, ...]:
    """The scripts of SCRIPTS of which a text has letters."""
    signs = set(text)
    return tuple(s for s in SCRIPTS if any(ord(sign) in s.blocks[0] and not _shared(sign) for sign in signs))


def _shared(sign: str) -> bool:
    """Whether a sign of a block serves other scripts too, such as the danda."""
    return unicodedata.category(sign).startswith("P")


def page_css(text: str) -> str:
    """Style rules that carry the letters of all scripts in a text; none for text in Latin letters."""
    return "".join(script_css(script) for script in scripts_in(text))


@cache
def script_css(script: Script) -> str:
    """Style rules that carry a script, plain and bold, as woff2; the font's own notices stay in it."""
    return "".join(
        face_css(script, weight, f"data:font/woff2;base64,{_cut(path, script)}")
        for weight, path in script_faces(script)
    )


def script_faces(script: Script) -> tuple[tuple[str, Path], ...]:
    """The font files of a script, plain and bold, each with the weights it has."""
    family = fontpkg.family(script.family)
    if any(file.variable for file in family.files):
        return (("400 700", fontpkg.select_file(family, 400, "normal", True).path),)
    return tuple((str(w), fontpkg.select_file(family, w, "normal", True).path) for w in WEIGHTS)


def face_css(script: Script, weight: str, address: str, family: str = PAGE_FAMILY) -> str:
    """A style rule that takes a script's letters of these weights from an address."""
    signs = ",".join(f"U+{block[0]:04X}-{block[-1]:04X}" for block in script.blocks) + ",U+200C-200D,U+25CC"
    return f'@font-face{{font-family:"{family}";font-weight:{weight};unicode-range:{signs};src:url({address})}}\n'


def _cut(path: Path, script: Script) -> str:
    """A font file cut down to a script, in weights from plain to bold and of one width, as base64 of woff2."""
    from fontTools import subset
    from fontTools.ttLib import TTFont
    from fontTools.varLib import instancer

    font: Any = TTFont(path, recalcTimestamp=False)
    cutter = subset.Subsetter(subset.Options(layout_features=["*"], name_IDs=["*"], notdef_outline=True))
    cutter.populate(unicodes=[*(sign for block in script.blocks for sign in block), *JOINERS])
    cutter.subset(font)
    if "fvar" in font:
        axes = {axis.axisTag for axis in font["fvar"].axes}
        limits = {"wdth": 100, "wght": WEIGHTS}
        font = instancer.instantiateVariableFont(font, {k: v for k, v in limits.items() if k in axes})
    font.flavor = "woff2"
    out = io.BytesIO()
    font.save(out)
    return base64.b64encode(out.getvalue()).decode("ascii")


# --- for printed pages ------------------------------------------------------------------------------------------------


@cache
def printing_family(name: str) -> bool:
    """Whether a family is installed as a package; if so, it is made known to matplotlib, plain and bold."""
    try:
        family = fontpkg.family(name)
    except fontpkg.FamilyNotInstalled:
        return False
    for weight in WEIGHTS:
        fontManager.addfont(str(fontpkg.select_file(family, weight, "normal", True).path))
    return True


@cache
def signs_of(path: str) -> frozenset[int]:
    """Code points that a font file has; none for a file that cannot be read."""
    try:
        return frozenset(get_font(path).get_charmap())
    except (OSError, RuntimeError, ValueError):
        return frozenset()


@cache
def own_family(signs: frozenset[int]) -> str:
    """A family of this machine that has most of these signs; '' when none has any."""
    best, most = "", 0
    for path in sorted(findSystemFonts()):
        if (held := len(signs & signs_of(path))) > most:
            best, most = path, held
        if most == len(signs):
            break
    if not best:
        return ""
    fontManager.addfont(best)
    return str(next(entry.name for entry in reversed(fontManager.ttflist) if entry.fname == best))


def names_of_scripts(signs: Iterable[str]) -> list[str]:
    """What the scripts of signs are called, such as 'Gujarati', as Unicode names their letters."""
    return sorted({unicodedata.name(sign, "UNKNOWN").split(" ")[0].split("-")[0].capitalize() for sign in signs})
