"""Letters that a page must carry, since the reader's machine may not have them: Noto, cut down to what is needed."""

from __future__ import annotations

import base64
import io
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

FAMILY = "Noto Sans Devanagari"
DEVANAGARI = (range(0x0900, 0x0980), range(0x1CD0, 0x1D00), range(0xA8E0, 0xA900))
"""Unicode blocks of the script: Devanagari, Vedic Extensions, Devanagari Extended."""
JOINERS = (0x200C, 0x200D, 0x25CC)
"""Zero-width non-joiner and joiner, dotted circle: needed to shape the script."""


def has_devanagari(text: str) -> bool:
    """Whether any sign of `text` is Devanagari."""
    return any(any(ord(sign) in block for block in DEVANAGARI) for sign in set(text))


def devanagari_file() -> Path:
    """The font's own file (TrueType, variable weight and width)."""
    folder = files("fontpkg_noto_sans_devanagari") / "files"
    return Path(str(next(f for f in folder.iterdir() if f.name.endswith(".ttf"))))


@cache
def devanagari_css() -> str:
    """A style rule that carries Devanagari in weights 400 to 700 as woff2; the font's own notices stay in it."""
    from fontTools import subset
    from fontTools.ttLib import TTFont
    from fontTools.varLib import instancer

    font: Any = TTFont(devanagari_file(), recalcTimestamp=False)
    options = subset.Options(layout_features=["*"], name_IDs=["*"], notdef_outline=True)
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=[*DEVANAGARI[0], *JOINERS])
    cutter.subset(font)
    font = instancer.instantiateVariableFont(font, {"wdth": 100, "wght": (400, 700)})
    font.flavor = "woff2"
    out = io.BytesIO()
    font.save(out)
    text = base64.b64encode(out.getvalue()).decode("ascii")
    return (
        f'@font-face{{font-family:"{FAMILY}";font-weight:400 700;unicode-range:U+0900-097F,U+200C-200D,U+25CC;'
        f"src:url(data:font/woff2;base64,{text}) format('woff2')}}\n"
    )
