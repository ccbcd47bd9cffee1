"""The words of the local page, from their one file."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from types import SimpleNamespace


@cache
def words() -> SimpleNamespace:
    """Every word, by its place: ``words().ask.title``; one that is missing is an error."""
    text = files("pipelines.desk").joinpath("words.toml").read_text(encoding="utf-8")
    return _named(tomllib.loads(text))


def _named(told: dict) -> SimpleNamespace:
    return SimpleNamespace(
        **{name: _named(of) if isinstance(of, dict) else of for name, of in told.items()}
    )
