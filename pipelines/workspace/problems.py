"""What can be wrong with a user's input, and how it is said: one sentence each."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

SHOWN = 100  # lines; more than that is one mistake made in every row


def printable(text: str) -> str:
    """On one line, without signs by which a file could steer the terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def over(column: str, header: str | None) -> str:
    """A column by what stands over it in its file, ours behind it where that says more.

    >>> over("ink_id", "Farbe"), over("ink_id", None), over("job_id", "Job ID")
    ('"Farbe" (ink_id)', 'ink_id', '"Job ID"')
    """
    if not header:
        return column
    same = re.sub(r"[ -]", "_", header.casefold()) == column.casefold()
    return f'"{header}"' if same else f'"{header}" ({column})'


class Kind(StrEnum):
    """What kind of mistake it is. Code asks this; the sentence is for people."""

    MISSING = "missing"  # a file, column or cell that is needed
    UNREADABLE = "unreadable"  # no number, date, word of the list, or file of that form
    OUT_OF_RANGE = "out of range"
    UNIT = "unit"  # right in another unit
    UNKNOWN = "unknown"  # an identifier that no table holds
    AMBIGUOUS = "ambiguous"  # a name that several things have
    DUPLICATE = "duplicate"
    CONTRADICTION = "contradiction"  # things that do not go together
    DAMAGED = "damaged"  # a store of ours that can no longer be read
    REFUSED = "refused"  # anything else that cannot be done as it was asked


class UserError(Exception):
    """A mistake of the user's; its text is the one sentence that is shown (exit code 2)."""

    lines = False  # whether it is several, each of one thing that is wrong
    notes: Sequence[str] = ()  # told before it: how what was given has been understood

    def __init__(self, text: str, kind: Kind = Kind.REFUSED) -> None:
        super().__init__(text if self.lines else printable(text))
        self.kind = kind


@dataclass(frozen=True)
class Problem:
    """One thing wrong in one place, and what to do about it.

    ``row`` is the row as a spreadsheet numbers it (the header is row 1); ``meant`` what is known
    and was perhaps meant; ``header`` what stands over the column in the file, where it is not
    our name.
    """

    file: str
    row: int | None
    column: str | None
    what: str
    do: str
    kind: Kind
    meant: str | None = None
    header: str | None = None

    def called(self, names: Mapping[str, str]) -> Problem:
        """The same with the column by what its reader calls it."""
        return replace(self, column=names.get(self.column or "", self.column))

    def under(self, headers: Mapping[str, str]) -> Problem:
        """The same of a file with these headers (column -> what stands over it)."""
        return replace(self, header=headers.get(self.column or ""))

    @property
    def told(self) -> str:
        """The reason, with the column by what stands over it in the file."""
        return f"{over(self.column, self.header)}: {self.what}" if self.column else self.what

    @property
    def reason(self) -> str:
        """The problem without its place in the file: why a row is set aside."""
        return f"{self.column}: {self.what}" if self.column else self.what

    @property
    def advice(self) -> str:
        """What to do, with what was perhaps meant."""
        return f'{self.do} (is "{self.meant}" meant?)' if self.meant else self.do

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += (
                f", {self.column}"
                if self.file.endswith(".toml")
                else f", column {over(self.column, self.header)}"
            )
        return printable(f"{place}: {self.what}; {self.advice}.")


class InputProblems(UserError):
    """Everything found wrong in one go; nothing has been changed."""

    lines = True

    def __init__(
        self,
        problems: list[Problem],
        outcome: str = "Nothing was changed.",
        notes: Sequence[str] = (),
    ) -> None:
        self.problems = problems
        self.notes = notes
        lines = [str(problem) for problem in problems[:SHOWN]]
        if len(problems) > SHOWN:
            lines.append(f"and {len(problems) - SHOWN} more.")
        if len(problems) > 1:
            lines.append(f"{len(problems)} problems. {outcome}")
        super().__init__("\n".join(lines), problems[0].kind)


@dataclass
class Findings:
    """Collects problems (refuse) and warnings (tell, and go on) while files are read."""

    problems: list[Problem] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    # file -> column -> what stands over it there, where it is not our name
    headers: dict[str, dict[str, str]] = field(default_factory=dict)

    def problem(
        self, file: str, row: int | None, column: str | None, what: str, do: str, kind: Kind
    ) -> None:
        self.problems.append(Problem(file, row, column, what, do, kind))

    def warn(self, sentence: str) -> None:
        self.warnings.append(printable(sentence))

    def raise_if_any(self) -> None:
        """Raises InputProblems with all that was found, if anything is wrong."""
        if self.problems:
            raise InputProblems(self.headed(self.problems), notes=self.warnings)

    def headed(self, problems: Sequence[Problem]) -> list[Problem]:
        """The same, with the columns by what stands over them in their files."""
        return [one.under(self.headers.get(one.file, {})) for one in problems]

    def over(self, file: str, column: str) -> str:
        """A column of ``file`` by what stands over it there."""
        return over(column, self.headers.get(file, {}).get(column))
