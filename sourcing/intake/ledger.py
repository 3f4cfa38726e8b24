"""The book kept while rows are judged: who was mended, who is set aside, who needs a look, and why."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding, Grade

Mask = npt.NDArray[np.bool_]
MOST_FINDINGS = 100_000
"""Most findings of one kind that are spelled out row by row; the table of rows set aside is always whole."""
ASIDE_COLUMNS = ["file", "row", "field_id", "what", "reason", "kinds"]


@dataclass
class Ledger:
    """Marks on the rows of one file. `rows` and `ids` are the row numbers and the user's ids, one a row.

    The one thing here that changes while it is used; it lives inside one stage and never leaves it.
    """

    file: str
    rows: npt.NDArray[np.int64]
    ids: npt.NDArray[np.object_]
    findings: list[Finding] = field(default_factory=list)

    def __post_init__(self) -> None:
        count = len(self.rows)
        self.aside: Mask = np.zeros(count, dtype=bool)
        self.mended: Mask = np.zeros(count, dtype=bool)
        self._what = np.full(count, "", dtype=object)
        self._reason = np.full(count, "", dtype=object)
        self._kinds = np.full(count, "", dtype=object)

    @property
    def kept(self) -> Mask:
        """Rows not set aside so far."""
        return ~self.aside

    def mark(
        self,
        grade: Grade,
        mask: Mask,
        what: str,
        found: str | npt.NDArray[np.object_],
        expected: str,
        remedy: str | npt.NDArray[np.object_],
    ) -> None:
        """Notes one kind of finding on the rows of `mask`. `found`, `remedy`: one text, or one a row of the file."""
        where = np.flatnonzero(mask)
        if len(where) == 0:
            return
        texts = [found] * len(where) if isinstance(found, str) else [str(t) for t in found[where]]
        if grade == "set_aside":
            fresh = self._what[where] == ""
            self._what[where[fresh]] = what
            for i, text in zip(where, texts, strict=True):
                self._kinds[i] = f"{self._kinds[i]} {what}".lstrip()
                self._reason[i] = f"{self._reason[i]}; {text}" if self._reason[i] else text
            self.aside[where] = True
        elif grade == "mended":
            self.mended[where] = True
        for i, text in zip(where[:MOST_FINDINGS], texts, strict=False):
            self.findings.append(
                Finding(
                    grade, self.file, int(self.rows[i]), what, text, expected,
                    remedy if isinstance(remedy, str) else str(remedy[i]), str(self.ids[i]),
                )
            )  # fmt: skip
        if len(where) > MOST_FINDINGS:
            self.whole_file(grade, what, f"{len(where) - MOST_FINDINGS} more rows like this", expected, "as for those")

    def whole_file(self, grade: Grade, what: str, found: str, expected: str, remedy: str) -> None:
        """Notes a finding that concerns the file and no single row."""
        self.findings.append(Finding(grade, self.file, None, what, found, expected, remedy))

    def set_aside_table(self) -> pd.DataFrame:
        """The rows set aside: file, row, field_id, what (the first reason's kind), reason and kinds (all of them)."""
        a = self.aside
        return pd.DataFrame(
            {
                "file": np.full(int(a.sum()), self.file, dtype=object), "row": self.rows[a],
                "field_id": self.ids[a].astype(object), "what": self._what[a],
                "reason": self._reason[a], "kinds": self._kinds[a],
            },
            columns=ASIDE_COLUMNS,
        )  # fmt: skip

    def counts(self) -> dict[str, int]:
        """Rows in the file, and how many were kept as they were, mended, and set aside; the three add up."""
        return {
            "rows": len(self.rows),
            "kept": int((~self.aside & ~self.mended).sum()),
            "mended": int((~self.aside & self.mended).sum()),
            "set_aside": int(self.aside.sum()),
        }
