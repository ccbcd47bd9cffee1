"""What the documents say holds: commands and options, figures, names of modules."""

from __future__ import annotations

import argparse
import re
import shlex
from pathlib import Path

import pytest

from pipelines.cli import build_parser

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
RESULTS = (ROOT / "tests" / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8")
FENCED = re.compile(r"^```\w*\n(.*?)^```", re.DOTALL | re.MULTILINE)


def commands() -> list[str]:
    """Every ``strikeoff ...`` line of the README's fenced blocks."""
    blocks = "\n".join(FENCED.findall(README)).replace("\\\n", " ")
    return re.findall(r"^(?:\$ )?strikeoff (.+)$", blocks, flags=re.MULTILINE)


@pytest.mark.parametrize("line", commands())
def test_the_readme_gives_commands_that_exist(line):
    build_parser().parse_args(shlex.split(line, comments=True))


def test_every_option_named_in_the_readme_exists():
    subparsers = next(
        a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction)
    )
    known = {"--help", "--workspace"}
    for parser in subparsers.choices.values():
        known |= {option for action in parser._actions for option in action.option_strings}
    assert set(re.findall(r"--[a-z][a-z-]+", README)) <= known


def test_the_readme_is_short_and_quotes_what_was_measured():
    assert len(README.splitlines()) < 200
    said = README.split("## How good it is")[1].split("\n## ")[0]
    figures = re.findall(r"\*\*([\d.]+)", said)
    assert 0 < len(figures) <= 5
    held_out = RESULTS.split("## held_out\n")[1].split("\n## ")[0]
    measured = set(re.findall(r"\d+(?:\.\d+)?", held_out))
    assert set(figures) <= measured
    cells = re.findall(r"([\d.]+), (\d+) %", said.split("| asked for |")[1])
    told = set()
    for part in ("last", "large"):
        news = RESULTS.split(f"## news --part {part}\n")[1].split("\n## ")[0]
        rows = [line.split("|") for line in news.splitlines() if line.startswith("|")]
        told |= {(row[3].strip(), row[6].strip()) for row in rows if len(row) > 6}
    assert len(cells) >= 20
    assert set(cells) <= told


def test_the_map_names_every_module():
    named = set(re.findall(r"`([^`\s]+)`", DEVELOPERS.split("## The model")[0]))
    modules = {
        p.stem
        for package in ("learn", "pipelines")
        for p in (ROOT / package).rglob("*.py")
        if p.stem != "__init__" and (p.parent.name != "commands" or p.stem.startswith("_"))
    }
    assert modules - named == set()
