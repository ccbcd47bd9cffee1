"""What is said on a screen: it neither steers the terminal nor shows a password."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import IO

# Control characters and marks that turn the direction of writing; our own colours may pass.
_STEERS = re.compile(
    r"(\x1b\[(?:0|[34]8;2;[0-9]{1,3};[0-9]{1,3};[0-9]{1,3})m)"
    r"|[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]"
)
_URL = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*://)([^\s\"']*)")
_SECRET = re.compile(r"([?&][^=&\s]*(?:pass|pwd|secret|token|key)[^=&\s]*=)[^&\s]*", re.IGNORECASE)
_AFTER_COLON = re.compile(r":(?!$|[0-9]+(?:[/?,]|$))[^/?]*")


def harmless(text: str) -> str:
    """The text without what could steer the terminal; line ends and tabs stay."""
    return _STEERS.sub(lambda m: m[1] or "\N{REPLACEMENT CHARACTER}", text)


def as_typed(path: Path | str) -> str:
    """A path or a name as it is typed after a command: in quotes where it holds a blank."""
    return f'"{path}"' if len(str(path).split()) > 1 else str(path)


def without_secrets(text: str) -> str:
    """The text with every password in a URL hidden, also where the URL is written wrongly."""
    return _URL.sub(_hidden, text) if "://" in text else text


def has_password(url: str) -> bool:
    """Whether a URL holds a password, or may."""
    return without_secrets(url) != url


def _hidden(url: re.Match[str]) -> str:
    login, at, place = url[2].rpartition("@")
    user, colon, _ = login.partition(":")
    place = _AFTER_COLON.sub(":***", place, count=1)  # no port, so perhaps a password
    return url[1] + user + (":***" if colon else "") + at + _SECRET.sub(r"\1***", place)


class Terminal(io.TextIOBase):
    """A stream that people read; None for one that is closed.

    ``lost`` is the error with which it stopped taking what was written; the work goes on.
    """

    def __init__(self, stream: IO[str] | None) -> None:
        self.stream = stream
        self.lost: OSError | None = None

    def write(self, text: str) -> int:
        if self.stream is not None and self.lost is None:
            try:
                self.stream.write(harmless(without_secrets(text)))
            except OSError as error:
                self.lost = error
        return len(text)

    def flush(self) -> None:
        if self.stream is not None and self.lost is None:
            try:
                self.stream.flush()
            except OSError as error:
                self.lost = error

    def isatty(self) -> bool:
        return self.stream is not None and self.stream.isatty()

    def writable(self) -> bool:
        return True
