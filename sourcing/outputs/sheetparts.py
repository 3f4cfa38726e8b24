"""Parts that several sheets share: head and foot of a page, lists of facts, the calendar of weeks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from sourcing.outputs.pages import ASCENT, BAND, INK, LEADING, MARGIN, POINT_MM, QUIET, RULE, Page, width, wrapped
from sourcing.outputs.programme import Programme

Shade = Literal["", "some", "several"]
SHADES = {"": "#ffffff", "some": "#c3ccd5", "several": INK}
"""Cells of a calendar: nothing, barrels at work, several barrels busy enough."""


def head(page: Page, kind: str, title: str, beside: Sequence[str] = ()) -> float:
    """Kind and title of a sheet at the left, short lines at the right. Returns where the sheet begins [mm]."""
    y = MARGIN
    page.text(MARGIN, y + 2.6, kind, 8, bold=True, colour=QUIET)
    right = max((width(line, 8) for line in beside), default=0.0)
    for i, line in enumerate(beside):
        page.text(page.width - MARGIN, y + 2.6 + i * 3.9, line, 8, align="right", colour=QUIET)
    size, room = 20.0, page.inner - right - 6
    while size > 12 and width(title, size, True) > room:
        size -= 1
    y += 3.6
    for line in wrapped(title, room, size, True):
        page.text(MARGIN, y + size * POINT_MM * ASCENT, line, size, bold=True)
        y += size * POINT_MM * 1.18
    y = max(y + 1.6, MARGIN + 2.6 + len(beside) * 3.9)
    page.lines([[(MARGIN, y), (page.width - MARGIN, y)]], 1.6, INK)
    return y + 3.2


def foot(page: Page, words_left: str, number: str) -> None:
    """The line at the lower edge of every page."""
    y = page.height - MARGIN + 2.4
    page.lines([[(MARGIN, y - 3.6), (page.width - MARGIN, y - 3.6)]], 0.4)
    room = page.inner - width(number, 6.5) - 5
    page.text(MARGIN, y, wrapped(words_left, room, 6.5)[0], 6.5, colour=QUIET)
    page.text(page.width - MARGIN, y, number, 6.5, align="right", colour=QUIET)


def heading(page: Page, x: float, y: float, words: str, most: float) -> float:
    """A heading within a sheet. Returns where the text below it begins [mm]."""
    return page.paragraph(x, y, most, words, 9.5, bold=True) + 0.6


def facts(
    page: Page, x: float, y: float, most: float, pairs: Sequence[tuple[str, str]], label: float, size: float = 8
) -> float:
    """Labels and what stands beside them, `label` [mm] wide. Returns where it ends [mm]."""
    for name, said in pairs:
        low = page.paragraph(x, y, label - 2, name, size, colour=QUIET)
        y = max(low, page.paragraph(x + label, y, most - label, said, size, bold=True)) + 0.9
    return y


def facts_height(pairs: Sequence[tuple[str, str]], most: float, label: float, size: float = 8) -> float:
    """Height that :func:`facts` takes [mm]."""
    line = size * POINT_MM * LEADING
    tall = (
        max(len(wrapped(n, label - 2, size)), len(wrapped(s, most - label, size, True))) * line + 0.9 for n, s in pairs
    )
    return sum(tall)


GRID_ROW_MM = 5.0
GRID_HEAD_MM = 12.5


@dataclass(frozen=True)
class WeekRow:
    """A row of a calendar of weeks: what stands in each week, and how it is shaded."""

    label: str
    cells: Sequence[str]
    shades: Sequence[Shade] = ()
    bold: bool = False
    last: str = ""
    """What stands at the right end, such as a sum."""


def grid(
    page: Page, x: float, y: float, most: float, label: float, prog: Programme, weeks: range,
    rows: Sequence[WeekRow | str], last: str = "", high: float = GRID_ROW_MM,
) -> float:  # fmt: skip
    """A calendar of weeks (columns) with its head of months and Mondays; a plain text is a band across. Returns its
    lower end [mm].
    """
    tail = max([width(last, 6.5, True), *(width(r.last, 7, True) for r in rows if isinstance(r, WeekRow))]) + 2
    cell = (most - label - (tail if tail > 2 else 0)) / max(len(weeks), 1)
    cell = min(cell, 11.0)
    grown, down = high / GRID_ROW_MM, high * 0.7
    left = x + label
    _grid_head(page, left, y, cell, prog, weeks)
    if last:
        page.text(left + cell * len(weeks) + tail, y + GRID_HEAD_MM - 1.2, last, 6.5, bold=True, align="right")
    y += GRID_HEAD_MM
    places, fills = [], []
    for row in rows:
        if isinstance(row, str):
            page.box(x, y + 0.1, label + cell * len(weeks) + (tail if tail > 2 else 0), high - 0.2, fill=BAND)
            page.text(
                x + 1,
                y + down,
                _shrunk(row, most - 2, 7.5 * grown)[0],
                _shrunk(row, most - 2, 7.5 * grown)[1],
                bold=True,
            )
            y += high
            continue
        _label(page, x, y, high, row.label, label - 1.5, 7.5 * grown, row.bold)
        for i, words in enumerate(row.cells):
            shade = row.shades[i] if row.shades else ""
            places.append((left + i * cell, y, cell, high))
            fills.append(SHADES[shade])
            colour = "#ffffff" if shade == "several" else INK
            fit = min(7.5 * grown, 7.5 * grown * (cell - 0.5) / max(width(words, 7.5 * grown, True), 0.1))
            bold = shade == "several" or row.bold
            middle, foot_y = left + (i + 0.5) * cell, y + high / 2 + fit * 0.13
            page.text(middle, foot_y, words, fit, bold=bold, align="center", colour=colour)
        if row.last:
            page.text(left + cell * len(weeks) + tail, y + down, row.last, 7 * grown, bold=True, align="right")
        y += high
    if places:
        page.boxes(places, fills, RULE)
    return y


def _grid_head(page: Page, left: float, y: float, cell: float, prog: Programme, weeks: range) -> None:
    calendar, words = prog.plan.calendar, prog.words
    mondays = [calendar.monday(w) for w in weeks]
    at = 0
    for month, run in groupby(mondays, key=lambda d: (d.year, d.month)):
        days = list(run)
        room = cell * len(days)
        for said in (f"{words.dates['months'][month[1] - 1]} {words.digits(str(month[0]))}",
                     str(words.dates["months"][month[1] - 1]), words.month(days[0])):  # fmt: skip
            if width(said, 7.5, True) + 1.2 <= room:
                page.text(left + at * cell + 0.6, y + 3, said, 7.5, bold=True)
                break
        page.lines([[(left + at * cell, y), (left + at * cell, y + GRID_HEAD_MM)]], 0.5)
        at += len(days)
    size = min(7.0, 7.0 * (cell - 0.6) / width("30", 7))
    for i, monday in enumerate(mondays):
        middle = left + (i + 0.5) * cell
        page.text(middle, y + 7.2, words.digits(str(monday.day)), size, align="center")
        page.text(middle, y + 11.2, prog.week_number(weeks[i]), size * 0.88, align="center", colour=QUIET)
    for row, key in ((7.2, "sheet.monday"), (11.2, "sheet.week")):
        page.text(left - 1.2, y + row, words(key), 6.2, align="right", colour=QUIET)


def _label(page: Page, x: float, y: float, high: float, words: str, room: float, size: float, bold: bool) -> None:
    """A row's label: smaller where it is long, then in two lines, then shortened but for its telling end."""
    said, fit = _shrunk(words, room, size)
    if fit >= LEAST_SHRUNK * size:
        page.text(x, y + high * 0.7, said, fit, bold=bold)
        return
    small = 0.66 * size
    lines = wrapped(words, room, small, bold)
    body, end = words[:-LABEL_END], words[-LABEL_END:]
    while len(lines) > 2:
        body = body[:-2]
        lines = wrapped(f"{body}…{end}", room, small, bold)
    for i, line in enumerate(lines):
        page.text(x, y + high * (0.42 + 0.44 * i), line, small, bold=bold)


LEAST_SHRUNK = 0.75
LABEL_END = 5


def _shrunk(words: str, room: float, size: float) -> tuple[str, float]:
    """Words and the size at which they fit into `room` [mm]."""
    wide = width(words, size, True)
    return words, size if wide <= room else size * room / wide
