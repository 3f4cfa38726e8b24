"""Printed pages: text that fits and tables that break, measured in millimetres from the upper left corner.

A page is laid out as A4 and enlarged for A3, letters and all, so that a sheet on a wall reads from farther away. Text
is only ever text: no sign in it is read as mathematics, none starts a new line, none steers a printer.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Literal

from matplotlib import rcParams
from matplotlib.artist import Artist
from matplotlib.backends.backend_pdf import Op
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontPath, FontProperties, findfont, get_font
from matplotlib.ft2font import LoadFlags
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.textpath import text_to_path

from sourcing.errors import UsageError
from sourcing.outputs.fonts import own_family, printing_family, scripts_in, signs_of

Align = Literal["left", "center", "right"]
PAPERS = {"A4": 1.0, "A3": 2.0**0.5}
"""Papers and how much larger than A4 each side is (ISO 216)."""
A4_MM = (210.0, 297.0)
MARGIN = 13.0
"""Empty edge of a page [mm]."""

INK, QUIET, RULE, BAND = "#10161d", "#4a535e", "#8d949c", "#e7eaed"
"""Colours of text, lesser text, lines and bands; told apart in black and white."""
POINT_MM = 25.4 / 72
TRUETYPE = 42
"""Kind of fonts in a PDF that holds letters as they are in the font file."""
LEADING = 1.36
"""Distance between lines of text, in sizes of the text; room for the signs above and below Devanagari."""
ASCENT = 0.98
"""Room above the foot of a line, in sizes of the text."""
PAD = 1.1
"""Empty space at each side of a table's cell [mm]."""
_FAMILY = "Mukta"  # holds Latin and Devanagari letters, plain and bold
_LAST_FAMILY = "DejaVu Sans"  # comes with matplotlib
UNPRINTABLE = "\ufffd"
"""Stands for a letter that no typeface here has."""


@cache
def _main_family() -> str:
    return _FAMILY if printing_family(_FAMILY) else _LAST_FAMILY


@cache
def _signs(family: str) -> frozenset[int]:
    """Code points that a family has."""
    return signs_of(findfont(FontProperties(family=family)))


@lru_cache(maxsize=20_000)
def _families(words: str) -> tuple[str, ...]:
    """The families that words need: the main one, those of other scripts in them, one of this machine for the rest."""
    families = [_main_family()]
    rest = {ord(sign) for sign in words if not _unseen(sign)} - _signs(families[0])
    if not rest:
        return tuple(families)
    for script in scripts_in(words):
        if printing_family(script.family) and rest & _signs(script.family):
            families.append(script.family)
            rest -= _signs(script.family)
    rest -= _signs(_LAST_FAMILY)
    while rest and (found := own_family(frozenset(rest))):
        families.append(found)
        rest -= _signs(found)
    return (*families, _LAST_FAMILY)


def lacking(words: str) -> frozenset[str]:
    """The signs of words that no typeface here has."""
    found = frozenset(map(ord, words)) - _signs(_main_family())
    for family in _families(words):
        found -= _signs(family)
    return frozenset(sign for sign in map(chr, found) if not _unseen(sign))


def _unseen(sign: str) -> bool:
    """Whether a sign needs no letter: spaces and joiners."""
    return sign.isspace() or sign in _JOINERS


@cache
def _letters(bold: bool, size: float, families: tuple[str, ...]) -> FontProperties:
    return FontProperties(family=list(families), weight="bold" if bold else "normal", size=size)


def letters(words: str, size: float, bold: bool = False) -> FontProperties:
    """The letters for words at a size [points]; signs that the main family lacks come from others."""
    return _letters(bold, size, _families(words))


def plain(words: object) -> str:
    """Text in one line without signs that steer a printer or turn the direction of writing."""
    text = str(words)
    if text.isascii() and text.isprintable() and "  " not in text:
        return text.strip()
    kept = (" " if c.isspace() and c != HOLD else c for c in text if _shown(c))
    line = " ".join(part for part in "".join(kept).split(" ") if part)
    return line.translate(dict.fromkeys(map(ord, lacking(line)), UNPRINTABLE))


HOLD = "\u00a0"
"""A space at which no line is broken."""
_JOINERS = "\u200c\u200d"


def _shown(sign: str) -> bool:
    """False for signs that steer and do not show; joiners are kept, for scripts that spell with them."""
    return sign.isspace() or sign in _JOINERS or unicodedata.category(sign) not in ("Cc", "Cf", "Cs", "Co", "Cn")


def held(words: str) -> str:
    """Words that stay on one line."""
    return words.replace(" ", HOLD)


@lru_cache(maxsize=50_000)
def _width(words: str, bold: bool) -> float:
    """Width of words at a size of one point [mm]."""
    if _SIMPLE.issuperset(words) and words:
        return sum(_advance(sign, bold) for sign in words)
    return _laid_out(words, bold)


_SIMPLE = frozenset(map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180), 0x2013, 0x2212)))
"""Signs that stand one after the other, so that widths add up (but for kerning, which brings them a little closer)."""


@cache
def _advance(sign: str, bold: bool) -> float:
    return _laid_out(sign, bold)


def _laid_out(words: str, bold: bool) -> float:
    prop = letters(words, 100, bold)
    return float(text_to_path.get_text_width_height_descent(words, prop, ismath=False)[0]) / 100 * POINT_MM


def width(words: str, size: float, bold: bool = False) -> float:
    """Width of words [mm] at a size [points]."""
    return _width(plain(words), bold) * size


def wrapped(words: str, most: float, size: float, bold: bool = False) -> list[str]:
    """Words in lines of at most `most` [mm]; a word that is wider is divided. At least one line."""
    lines = [""]
    for word in plain(words).split(" "):
        joined = f"{lines[-1]} {word}" if lines[-1] else word
        if width(joined, size, bold) <= most + _SLACK_MM:
            lines[-1] = joined
            continue
        *full, rest = _divided(word, most, size, bold)
        lines += [*full, rest]
    return [line for line in lines if line] or [""]


def shortened(words: str, most: int) -> str:
    """Words of at most `most` signs; the rest of a name that nobody could mean is left out."""
    line = plain(words)
    return line if len(line) <= most else line[: most - 1] + "…"


_SLACK_MM = 0.01


def _divided(word: str, most: float, size: float, bold: bool) -> list[str]:
    parts = [""]
    for sign in word:
        mark = unicodedata.category(sign).startswith("M")
        if parts[-1] and not mark and width(parts[-1] + sign, size, bold) > most + _SLACK_MM:
            parts.append("")
        parts[-1] += sign
    return parts


@dataclass(frozen=True)
class PageText:
    """A line of text on a page: left end of its foot [mm], words, size [points]."""

    x: float
    y: float
    words: str
    size: float
    bold: bool
    colour: str

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, width, height of the letters, without what hangs below the foot [mm]."""
        tall = self.size * POINT_MM * 0.7
        return self.x, self.y - tall, width(self.words, self.size, self.bold), tall


_APART = Text(fontfeatures=["-kern"])
"""Says that signs stand one after the other, as wide as :func:`width` counts them."""


class _Letters(Artist):
    """Draws all text of a page at once: matplotlib's own text objects lay each line out anew, which takes longer than
    all the rest of a page.
    """

    def __init__(self, page: Page) -> None:
        super().__init__()
        self.page = page
        self.set_zorder(5)

    def draw(self, renderer: Any) -> None:
        """Called by matplotlib."""
        page, gc, pen = self.page, renderer.new_gc(), _PdfPen.of(renderer)
        feet = page.axes.transData.transform([(t.x, t.y) for t in page.texts]) if page.texts else ()
        for text, (x, y) in zip(page.texts, feet, strict=True):
            gc.set_foreground(text.colour)
            size = text.size * page.scale
            if pen is not None:
                renderer.check_gc(gc, gc.get_rgb())
                if codes := pen.codes_of(text.words, text.bold):
                    pen.write(float(x), float(y), codes, size, text.bold)
                else:
                    pen.write_runs(float(x), float(y), text.words, letters(text.words, size, text.bold))
                continue
            foot = page.figure.bbox.height - y if renderer.flipy() else y
            apart = _APART if _SIMPLE.issuperset(text.words) else None
            renderer.draw_text(gc, x, foot, text.words, letters(text.words, size, text.bold), 0, mtext=apart)
        gc.restore()


class _PdfPen:
    """Writes letters straight into a PDF file, with the codes that matplotlib gave them.

    Sheets hold ten thousands of short texts; laying each out takes matplotlib longer than all the rest, so signs that
    stand one after the other are written as they are. Others are laid out by matplotlib, but written here, since its
    writer (3.11) moves a letter twice by its kerning where the kind of font changes, which sets Indic words askew. This
    leans on parts that it does not promise; where they are not as expected there is no pen, and everything is drawn in
    matplotlib's own way.
    """

    def __init__(self, renderer: Any, track: Any) -> None:
        self.renderer, self.file, self.track = renderer, renderer.file, track
        self.codes: dict[tuple[str, bool], bytes | None] = {}
        self.names: dict[bool, Any] = {}

    @classmethod
    def of(cls, renderer: Any) -> _PdfPen | None:
        """A pen for a renderer that writes PDF with whole fonts, else none."""
        file = getattr(renderer, "file", None)
        track = getattr(getattr(file, "_character_tracker", None), "track_glyph", None)
        if track is None or rcParams["pdf.fonttype"] != TRUETYPE:
            return None
        pen = cls(renderer, track)
        try:
            pen.code("x", False)
            pen.runs("x", letters("x", 10))
        except (AttributeError, TypeError, ValueError):
            return None
        return pen

    def code(self, sign: str, bold: bool) -> bytes | None:
        """The code of a sign in the file's main font; none when it is not in it."""
        font = get_font(findfont(letters(sign, 10, bold)))
        subset, code = self.track(font, sign, font.get_char_index(ord(sign)))
        if subset != 0:
            return None
        self.names.setdefault(bold, self.file.fontName(letters(sign, 10, bold)))
        return int(code).to_bytes(2, "big")

    def codes_of(self, words: str, bold: bool) -> bytes | None:
        """The codes of words; none when they must be laid out."""
        out = bytearray()
        for sign in words:
            if sign not in _SIMPLE:
                return None
            if (key := (sign, bold)) not in self.codes:
                self.codes[key] = self.code(sign, bold)
            if (code := self.codes[key]) is None:
                return None
            out += code
        return bytes(out)

    def runs(self, words: str, prop: FontProperties) -> list[tuple[Any, float, float, list[Any]]]:
        """Words laid out, in runs of one font and height: the font's name, the place of the run from the left end of
        the foot [1/72 inch], and codes of letters and what lies between them [1/72 inch].
        """
        size = prop.get_size_in_points()
        font = self.renderer._get_font_ttf(prop)
        out: list[tuple[Any, float, float, list[Any]]] = []
        before = None
        for item in font._layout(words, LoadFlags.NO_HINTING):
            face = item.ft_object
            subset, code = self.track(face, item.char, item.glyph_index)
            run = (face.fname, face.face_index, subset, item.y)
            if run != before:
                name = self.file.fontName(FontPath(face.fname, face.face_index), subset)
                out.append((name, float(item.x), float(item.y), []))
            elif item.prev_kern:
                out[-1][3].append(-1000 * item.prev_kern / size)
            out[-1][3].append(int(code).to_bytes(2, "big"))
            before = run
        return out

    def write_runs(self, x: float, y: float, words: str, prop: FontProperties) -> None:
        """Words that must be laid out, from the left end of their foot [1/72 inch]."""
        self.file.output(Op.begin_text)
        was_x = was_y = 0.0
        for name, right, up, parts in self.runs(words, prop):
            self.file.output(name, prop.get_size_in_points(), Op.selectfont)
            self.file.output(x + right - was_x, y + up - was_y, Op.textpos, parts, Op.showkern)
            was_x, was_y = x + right, y + up
        self.file.output(Op.end_text)

    def write(self, x: float, y: float, codes: bytes, size: float, bold: bool) -> None:
        """Words from the left end of their foot [1/72 inch]."""
        self.file.output(
            Op.begin_text, self.names[bold], size, Op.selectfont, x, y, Op.textpos, codes, Op.show, Op.end_text
        )


class Page:
    """One page in the making; all places and sizes in millimetres of A4, letters in points of A4."""

    def __init__(self, paper: str = "A4", *, lying: bool = False) -> None:
        if paper not in PAPERS:
            raise UsageError(f"there is no paper '{paper}'; there is: {', '.join(PAPERS)}")
        self.scale = PAPERS[paper]
        self.width, self.height = A4_MM[::-1] if lying else A4_MM
        self.figure = Figure(figsize=(self.width / 25.4 * self.scale, self.height / 25.4 * self.scale))
        self.axes = self.figure.add_axes((0, 0, 1, 1))
        self.axes.set_xlim(0, self.width)
        self.axes.set_ylim(self.height, 0)
        self.axes.set_axis_off()
        self.texts: list[PageText] = []
        self.axes.add_artist(_Letters(self))

    @property
    def inner(self) -> float:
        """Width between the margins [mm]."""
        return self.width - 2 * MARGIN

    @property
    def bottom(self) -> float:
        """Lowest place for text above the foot line [mm]."""
        return self.height - MARGIN - 4.5

    def text(
        self, x: float, y: float, words: object, size: float = 8, *, bold: bool = False, align: Align = "left",
        colour: str = INK,
    ) -> None:  # fmt: skip
        """One line of text whose foot stands at `y`."""
        if line := plain(words):
            left = x - {"left": 0.0, "center": 0.5, "right": 1.0}[align] * width(line, size, bold)
            self.texts.append(PageText(left, y, line, size, bold, colour))

    def paragraph(
        self, x: float, y: float, most: float, words: str, size: float = 8, *, bold: bool = False, colour: str = INK
    ) -> float:
        """Text in lines of at most `most` [mm] below `y`. Returns where the next may begin [mm]."""
        for line in wrapped(words, most, size, bold):
            self.text(x, y + size * POINT_MM * ASCENT, line, size, bold=bold, colour=colour)
            y += size * POINT_MM * LEADING
        return y

    def lines(
        self, pieces: Iterable[Sequence[tuple[float, float]]], thick: float = 0.2, colour: str = RULE,
        over: float = 2.5,
    ) -> None:  # fmt: skip
        """Straight lines, `thick` in points."""
        self.axes.add_collection(
            LineCollection(list(pieces), linewidths=thick * self.scale, colors=colour, zorder=over, capstyle="butt"),
            autolim=False,
        )

    def box(
        self, x: float, y: float, w: float, h: float, *, fill: str = "none", edge: str = "none", thick: float = 0.6,
        hatch: str = "", over: float = 1,
    ) -> Rectangle:  # fmt: skip
        """A rectangle from its upper left corner."""
        shape = Rectangle(
            (x, y), w, h, facecolor=fill, edgecolor=edge, linewidth=thick * self.scale if edge != "none" else 0,
            hatch=hatch or None, zorder=over,
        )  # fmt: skip
        self.axes.add_artist(shape)
        return shape

    def boxes(self, places: Sequence[tuple[float, float, float, float]], fills: Sequence[str], edge: str) -> None:
        """Many rectangles (x, y, width, height) at once."""
        corners = [[(x, y), (x + w, y), (x + w, y + h), (x, y + h)] for x, y, w, h in places]
        self.axes.add_collection(
            PolyCollection(corners, facecolors=list(fills), edgecolors=edge, linewidths=0.35 * self.scale, zorder=1.5),
            autolim=False,
        )


# --- tables -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Column:
    """A column of a table."""

    head: str
    align: Align = "left"
    bold: bool = False


TICK_BOX = "\u2610"
"""A cell with this sign is an empty box to tick."""

Row = Sequence[str]
"""Cells of a table's row; a row of one cell in a wider table is a heading across it."""


def column_widths(columns: Sequence[Column], rows: Sequence[Row], total: float, size: float) -> list[float]:
    """Widths of columns [mm] that together make `total`: text gives way before numbers, none below its longest word."""
    cells = [[r[i] for r in rows if len(r) == len(columns)] for i in range(len(columns))]

    def longest_word(words: Iterable[str], bold: bool) -> float:
        return max((width(w, size, bold) for text in words for w in plain(text).split(" ")), default=0.0)

    least, whole = [], []
    for column, own in zip(columns, cells, strict=True):
        word = max(
            longest_word([column.head], True), longest_word(own, column.bold), width(column.head, size, True) / 2.2
        )
        text = max((width(c, size, column.bold) for c in own), default=0.0)
        least.append((word if column.align == "left" else max(word, text)) + 2 * PAD)
        whole.append(max(word, text) + 2 * PAD)
    heads = [width(c.head, size, True) + 2 * PAD for c in columns]
    roomy = [max(w, h) for w, h in zip(whole, heads, strict=True)]
    if sum(roomy) <= total:
        whole = roomy
    if sum(whole) <= total:
        spare = (total - sum(whole)) / len(whole)
        return [w + spare for w in whole]
    if sum(least) <= total:
        slack = sum(whole) - sum(least)
        return [a + (b - a) * (total - sum(least)) / slack if slack else a for a, b in zip(least, whole, strict=True)]
    flexible = [w if c.align == "left" else 0.0 for w, c in zip(least, columns, strict=True)]
    over = sum(least) - total
    if sum(flexible) > over * 1.6:
        return [w - over * f / sum(flexible) for w, f in zip(least, flexible, strict=True)]
    return [w * total / sum(least) for w in least]


def table(
    page: Page, x: float, y: float, columns: Sequence[Column], rows: Sequence[Row], widths: Sequence[float],
    bottom: float, size: float = 7.5,
) -> tuple[float, int]:  # fmt: skip
    """Draws as many rows as fit above `bottom`. Returns where it ends [mm] and how many rows were drawn."""
    line = size * POINT_MM * LEADING
    heads = [wrapped(c.head, w - 2 * PAD, size, True) for c, w in zip(columns, widths, strict=True)]
    tall = max(len(h) for h in heads)
    rules: list[list[tuple[float, float]]] = []
    right = x + sum(widths)
    if y + tall * line + 2 * line > bottom and rows:
        return y, 0
    for column, head, left, w in _placed(columns, heads, widths, x):
        for i, part in enumerate(head):
            foot = y + (tall - len(head) + i) * line + size * POINT_MM * ASCENT
            page.text(_anchor(column, left, w), foot, part, size, bold=True, align=column.align)
    y += tall * line + 0.7
    page.lines([[(x, y), (right, y)]], 0.9, INK)
    done = 0
    for at, row in enumerate(rows):
        band, parts = _parts(columns, row, widths, right - x, size)
        high = max(len(p) for p in parts) * line + 0.9
        follow = 0.0
        if band and at + 1 < len(rows):
            next_parts = _parts(columns, rows[at + 1], widths, right - x, size)[1]
            follow = max(len(p) for p in next_parts) * line + 0.9
        if y + high + follow > bottom:
            break
        if band:
            page.box(x, y + 0.15, right - x, high - 0.3, fill=BAND)
            for i, part in enumerate(parts[0]):
                page.text(x + PAD, y + 0.45 + i * line + size * POINT_MM * ASCENT, part, size, bold=True)
        else:
            for column, cell, left, w in _placed(columns, parts, widths, x):
                for i, part in enumerate(cell):
                    foot = y + 0.45 + i * line + size * POINT_MM * ASCENT
                    if part == TICK_BOX:
                        page.box(left + w / 2 - 1, foot - 1.9, 2, 2, edge=INK, thick=0.5)
                        continue
                    page.text(_anchor(column, left, w), foot, part, size, bold=column.bold, align=column.align)
        y += high
        rules.append([(x, y), (right, y)])
        done += 1
    page.lines(rules, 0.25)
    return y, done


def _parts(
    columns: Sequence[Column], row: Row, widths: Sequence[float], total: float, size: float
) -> tuple[bool, list[list[str]]]:
    """Whether a row is a heading across the table, and the lines of each of its cells."""
    if len(row) == 1 and len(columns) > 1:
        return True, [wrapped(row[0], total - 2 * PAD, size, True)]
    cells = zip(row, widths, columns, strict=True)
    return False, [wrapped(cell, w - 2 * PAD, size, column.bold) for cell, w, column in cells]


def _placed(columns: Sequence[Column], cells: Sequence[Any], widths: Sequence[float], x: float) -> Iterable[Any]:
    left = x
    for column, cell, w in zip(columns, cells, widths, strict=True):
        yield column, cell, left, w
        left += w


def _anchor(column: Column, left: float, w: float) -> float:
    return {"left": left + PAD, "center": left + w / 2, "right": left + w - PAD}[column.align]
