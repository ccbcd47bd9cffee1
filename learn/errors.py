"""A request that cannot be met, told apart from a mistake in the code."""

from __future__ import annotations


class Unusable(ValueError):
    """Something was asked for that cannot be: ``what`` says why, and what would do.

    ``name`` is the argument or column at fault, where there is one; its sentence goes on from
    it, so that a caller may put its own word for it there.

    Examples
    --------
    >>> error = Unusable("is 0: 1 or more is possible", name="max_strokes")
    >>> print(error)
    max_strokes is 0: 1 or more is possible
    """

    def __init__(self, what: str, *, name: str | None = None) -> None:
        super().__init__(f"{name} {what}" if name else what)
        self.what = what
        self.name = name
