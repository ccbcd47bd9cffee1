"""The shops of one part of the second family, asked one by one, several at once."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

from pipelines.workspace.progress import Progress
from tests.worlds.parts import PARTS, Which
from tests.worlds.shop import KINDS


def add_options(parser: argparse.ArgumentParser) -> None:
    """Which part, how many of its shops, and how many at once."""
    parser.add_argument("--part", choices=PARTS, default="choose")
    parser.add_argument("--shops", type=int, help="of each kind of shop (default: all)")
    parser.add_argument("--workers", type=int, default=2)


def asked(arguments: argparse.Namespace, of_shop: Callable[[Which], Any]) -> list[Any]:
    """What every shop answers, kind by kind."""
    from joblib import Parallel, delayed

    shops: list[Which] = []
    for kind in KINDS:
        shops += [w for w in PARTS[arguments.part] if w.kind == kind][: arguments.shops]
    Progress()(f"{len(shops)} shops, {arguments.workers} at once")
    return list(Parallel(n_jobs=arguments.workers)(delayed(of_shop)(w) for w in shops))
