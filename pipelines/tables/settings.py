"""``shop.toml``: the shop's viewing condition, tolerance and costs."""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import fields
from typing import Any

from learn.shop import ShopSettings
from pipelines.tables.schema import INKS
from pipelines.workspace.problems import Findings, Kind, Problem

FILE = "shop.toml"
ILLUMINANTS = ("A", "C", "D50", "D55", "D65", "D75", "E", *(f"F{n}" for n in range(1, 13)))
OBSERVERS = ("2", "10")
INK_TYPES = next(column.choices for column in INKS.columns if column.name == "ink_type")

# key: lowest and highest value that makes sense
_NUMBERS = {
    "tolerance_dE00": (0.05, 50.0),
    "confidence": (0.5, 0.9999),
    "cost_test_print": (0.0, 1e9),
    "cost_spoiled_print": (0.0, 1e9),
    "repeatability_dE00": (0.001, 5.0),
}
_UNKNOWN_MAY_BE_EMPTY = ("cost_test_print", "cost_spoiled_print")


def read_settings(text: str | None, folder_name: str, findings: Findings) -> ShopSettings:
    """Settings from the text of ``shop.toml``; what is not given takes its default."""
    values: dict[str, Any] = {"name": folder_name}
    try:
        given = tomllib.loads(text or "")
    except tomllib.TOMLDecodeError as error:
        findings.problem(
            FILE,
            None,
            None,
            f"cannot be read ({error})",
            'write lines like key = "x"',
            Kind.UNREADABLE,
        )
        given = {}
    given.pop("usual", None)  # `pipelines.tables.presets` reads it
    for key, value in given.items():
        if key in _NUMBERS:
            if value == "" and key in _UNKNOWN_MAY_BE_EMPTY:
                continue
            low, high = _NUMBERS[key]
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if number and low <= value <= high:
                values[key] = float(value)
            else:
                do = "write it without quotation marks, with a decimal point"
                what = f"{value!r} is not a number from {low:g} to {high:g}"
                findings.problem(FILE, None, key, what, do, Kind.OUT_OF_RANGE)
        elif key == "name":
            if isinstance(value, str) and value.strip():
                values[key] = value.strip()
            else:
                findings.problem(
                    FILE, None, key, f"{value!r} is not a name", "write a text", Kind.UNREADABLE
                )
        elif key == "mixable":
            if _is_mixable(value):
                values[key] = value
            else:
                what = f"{value!r} is no list of lists of ink types ({', '.join(INK_TYPES)})"
                do = 'write mixable = [["plastisol", "silicone"]]'
                findings.problem(FILE, None, key, what, do, Kind.UNREADABLE)
        elif key in ("illuminant", "observer"):
            choices = ILLUMINANTS if key == "illuminant" else OBSERVERS
            if str(value) in choices:
                values[key] = str(value)
            else:
                what = f"{value!r} is none of {', '.join(choices)}"
                findings.problem(FILE, None, key, what, "write one of them", Kind.UNREADABLE)
        elif meant := _meant(key):
            what = "the key is not known"
            do = "correct it, or take it out"
            findings.problems.append(Problem(FILE, None, key, what, do, Kind.UNKNOWN, meant))
        else:
            findings.warn(f"{FILE}: key {key} is not known and was left aside.")
    return ShopSettings(**values)


def _meant(key: str) -> str | None:
    """The setting that a key nearly spells or begins."""
    ours = [setting.name for setting in fields(ShopSettings)]
    begun = [name for name in ours if len(key) > 2 and name.startswith(key)]
    return next(iter([*begun, *difflib.get_close_matches(key, ours, n=1, cutoff=0.7)]), None)


def _is_mixable(value: object) -> bool:
    return isinstance(value, list) and all(
        isinstance(group, list) and len(group) > 1 and all(one in INK_TYPES for one in group)
        for group in value
    )
