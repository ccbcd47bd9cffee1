"""What can be wrong with a user's input, and how it is said: one sentence each."""

from __future__ import annotations

from dataclasses import dataclass, field

SHOWN = 100  # lines; more than that is one mistake made in every row


def printable(text: str) -> str:
    """On one line, without signs by which a file could steer the terminal."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


class UserError(Exception):
    """A mistake of the user's; its text is the one sentence that is shown (exit code 2)."""


@dataclass(frozen=True)
class Problem:
    """One thing wrong in one place, and what to do about it.

    ``row`` is the row as a spreadsheet numbers it (the header is row 1).
    """

    file: str
    row: int | None
    column: str | None
    what: str
    do: str

    @property
    def reason(self) -> str:
        """The problem without its place in the file: why a row is set aside."""
        return f"{self.column}: {self.what}" if self.column else self.what

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        return printable(f"{place}: {self.what}; {self.do}.")


class InputProblems(UserError):
    """Everything found wrong in one go; nothing has been changed."""

    def __init__(self, problems: list[Problem], outcome: str = "Nothing was changed.") -> None:
        self.problems = problems
        lines = [str(problem) for problem in problems[:SHOWN]]
        if len(problems) > SHOWN:
            lines.append(f"and {len(problems) - SHOWN} more.")
        if len(problems) > 1:
            lines.append(f"{len(problems)} problems. {outcome}")
        super().__init__("\n".join(lines))


@dataclass
class Findings:
    """Collects problems (refuse) and warnings (tell, and go on) while files are read."""

    problems: list[Problem] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def problem(self, file: str, row: int | None, column: str | None, what: str, do: str) -> None:
        self.problems.append(Problem(file, row, column, what, do))

    def warn(self, sentence: str) -> None:
        self.warnings.append(printable(sentence))

    def raise_if_any(self) -> None:
        """Raises InputProblems with all that was found, if anything was."""
        if self.problems:
            raise InputProblems(self.problems)
