"""What can go wrong, as a tree.

    SourcingError
    ├── UsageError (ValueError)      the command or a call was used wrongly           exit 2
    ├── InputError (ValueError)      the user's files need mending; carries findings  exit 1
    ├── NoPlanError (ValueError)     no plan is possible, and why                     exit 3
    ├── OutputError (OSError)        a result could not be written                    exit 1
    └── PlanFaultError (RuntimeError)  the checker found a plan that breaks its own rules: our defect

A :class:`Finding` is one thing noticed in an input. Findings are gathered, so that a person mends a file once.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

Grade = Literal["mended", "look", "set_aside", "refused"]
"""What was done: mended (used after a repair that is told), look (used as it is, but odd),
set_aside (this row is not used), refused (nothing can be done until this is put right)."""


@dataclass(frozen=True)
class Finding:
    """One thing noticed in an input: where it is, what was found, what was expected, what to do."""

    grade: Grade
    file: str
    """Name of the file as the user knows it."""
    row: int | None
    """Row in the file, the first data row being 1; None when the finding concerns the whole file."""
    what: str
    """Short fixed word for the kind of finding, such as 'invalid_ring'."""
    found: str
    expected: str
    remedy: str
    field_id: str = ""
    figures: tuple[tuple[str, float], ...] = ()
    """The figures in it by name, where it is told in other languages too."""

    def sentence(self) -> str:
        """The finding as one line of plain words."""
        where = self.file if self.row is None else f"{self.file}, row {self.row}"
        return f"{where}: {self.found}. Expected: {self.expected}. To do: {self.to_do}"

    @property
    def to_do(self) -> str:
        """What to do, with its full stop or its question mark."""
        return self.remedy if self.remedy.endswith("?") else f"{self.remedy}."

    def as_dict(self) -> dict[str, Any]:
        """The finding as plain values, for JSON and tables."""
        plain = asdict(self)
        del plain["figures"]
        return plain


class SourcingError(Exception):
    """The root of all errors that this package raises on purpose."""


class UsageError(SourcingError, ValueError):
    """The command or function was used in a way it does not offer."""


class InputError(SourcingError, ValueError):
    """The user's files need mending before work can go on; `findings` says where and how."""

    def __init__(self, findings: Iterable[Finding]):
        self.findings = tuple(findings)
        count = len(self.findings)
        lines = [f.sentence() for f in self.findings[:50]]
        if count > 50:
            lines.append(f"… and {count - 50} more")
        super().__init__("\n".join(lines) or "the input needs mending")


class NoPlanError(SourcingError, ValueError):
    """No plan is possible with these wishes; the message says which figures stand against each other."""


class OutputError(SourcingError, OSError):
    """A result could not be written; nothing half-written is left behind."""


class PlanFaultError(SourcingError, RuntimeError):
    """The independent checker disagrees with the optimiser. This is a defect of the software, never of the input."""

    def __init__(self, faults: Iterable[str]):
        self.faults = tuple(faults)
        super().__init__("the plan failed its own check:\n" + "\n".join(self.faults))
