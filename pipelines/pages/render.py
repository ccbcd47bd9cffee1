"""Pages from templates: one base page, one style, every value escaped where it is put in.

What a template is given is data, never markup; only pictures drawn elsewhere come as `Markup`.
"""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipelines.words.common import chance, number, percent, seen
from pipelines.words.verdict import HEADLINES
from pipelines.workspace.files import write_text

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def environment() -> Environment:
    """The templates beside this module; a name a template misses is an error, not a gap."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("pipelines.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    furnish(made)
    return made


def furnish(environment: Environment) -> None:
    """Give templates the words and numbers that all of them write alike."""
    environment.filters |= {"number": number, "percent": percent, "chance": chance, "seen": seen}
    environment.globals["HEADLINES"] = HEADLINES


def write(path: str | os.PathLike, template: str, **values: object) -> None:
    """Render ``template`` to ``path``, replacing it only when complete."""
    write_text(Path(path), text(template, **values))


def text(template: str, **values: object) -> str:
    """``template`` with its values."""
    return environment().get_template(template).render(values)
