"""What a long command tells while it works: lines on stderr with the time that has passed."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable


class Progress:
    """Call it with a sentence; each line carries the seconds since it was made."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def __call__(self, text: str) -> None:
        sys.stdout.flush()  # what was printed before comes before, also through a pipe
        print(f"[{time.monotonic() - self._start:4.0f} s] {text}", file=sys.stderr, flush=True)


def tell(sentences: Iterable[str]) -> None:
    """Warnings: on stderr, one a line."""
    for sentence in sentences:
        print(f"note: {sentence}", file=sys.stderr)
