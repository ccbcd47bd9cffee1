"""Invented shops for the benchmarks: their tables, and the prints they kept back.

The demo shop (``medium``, seed 7) lies in the checkout; any other is invented on first use and
kept in the temporary folder until the generator's code changes.
"""

from __future__ import annotations

import hashlib
import tempfile
from argparse import ArgumentParser
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from datasets.demo.generate import write_shop
from datasets.demo.recipe import RECIPES, Recipe
from datasets.demo.shop import TRUE_LAB, make_shop
from learn.colour.colorimetry import viewing
from learn.physics.drawdowns import lab_columns
from learn.shop import Shop
from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import check_setups, read_folder

Array = NDArray[np.floating]

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
DEMO_SEED = 7
NOT_A_KIND = {"gross_errors"}
# A kind that mixes questions is shown by these as well.
PARTS = {"far": "far_kind", "later_period": "press_id"}


class Held:
    """Held-out prints of one kind: typed set-ups, their colour measured and, if known, true."""

    def __init__(self, setups: pd.DataFrame, measured: Array, true: Array | None) -> None:
        self.setups, self.measured, self.true = setups, measured, true

    def __len__(self) -> int:
        return len(self.measured)

    @property
    def aim(self) -> Array:
        """The colour errors are counted to: the noise-free one where it is known."""
        return self.measured if self.true is None else self.true


Parts = dict[str, NDArray[np.intp]]  # name of a part of a kind -> positions of its prints


def folder_of(recipe: str, seed: int) -> Path:
    """Folder of a generated shop; invented now if it was not before."""
    if (recipe, seed) == ("medium", DEMO_SEED):
        return DEMO
    return kept(f"{recipe}-{seed}", RECIPES[recipe], seed)


def kept(name: str, recipe: Recipe, seed: int) -> Path:
    """A shop kept in the temporary folder under this name."""
    code = b"".join(path.read_bytes() for path in sorted(DEMO.glob("*.py")))
    digest = hashlib.sha256(code + repr(recipe).encode()).hexdigest()[:8]
    folder = Path(tempfile.gettempdir()) / f"strikeoff-{name}-{digest}"
    if not (folder / "next_week.csv").exists():  # written last
        write_shop(make_shop(recipe, seed), folder)
    return folder


def tables(folder: Path) -> Shop:
    """The shop of a generated folder, as its tables tell it."""
    return read_folder(folder / "tables", name="demo").shop


def kinds(folder: Path, shop: Shop) -> Iterator[tuple[str, Held, Parts]]:
    """Every kind under ``heldout/``, with the parts of those that mix questions."""
    condition = viewing(shop.settings.illuminant, shop.settings.observer)
    for path in sorted((folder / "heldout").glob("*.csv")):
        if path.stem in NOT_A_KIND:
            continue
        cells = pd.read_csv(path, dtype=str, keep_default_na=False)
        asked = cells.rename(columns={"print_id": "setup_id"})
        # dates after today are meant: the later period is later than the history
        setups = check_setups(asked, Catalogue.of(shop).names(), path.name, today=date(9000, 1, 1))
        numbers = pd.read_csv(path)
        held = Held(setups, lab_columns(numbers, condition), numbers[TRUE_LAB].to_numpy(float))
        parts: Parts = {}
        if path.stem in PARTS:
            of = cells[PARTS[path.stem]].to_numpy()
            parts = {name: np.flatnonzero(of == name) for name in sorted(set(of) - {""})}
        yield path.stem, held, parts


def add_shop_options(parser: ArgumentParser) -> None:
    """``--recipe`` and ``--seed``: which shop."""
    parser.add_argument("--recipe", choices=RECIPES, default="medium")
    parser.add_argument("--seed", type=int, default=DEMO_SEED)
