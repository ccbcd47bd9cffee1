"""Rewrite the demo shop: ``python -m datasets.demo.generate --seed 7`` from the checkout."""

from __future__ import annotations

import argparse
import os
import time
from pathlib import Path

import pandas as pd

from .recipe import RECIPES
from .shop import GeneratedShop, make_shop

HERE = Path(__file__).resolve().parent


def write_shop(shop: GeneratedShop, folder: Path) -> None:
    """Write ``tables/``, ``heldout/``, ``next_week.csv`` and ``impossible_rows.csv``."""
    tables = folder / "tables"
    held = folder / "heldout"
    for name in ("inks", "substrates", "meshes", "drawdowns", "prints"):
        _write(tables / f"{name}.csv", _csv(getattr(shop, name)))
    lines = [
        f"{key} = {value}" if isinstance(value, float) else f'{key} = "{value}"'
        for key, value in shop.settings.items()
    ]
    _write(tables / "shop.toml", "\n".join(lines) + "\n")
    for kind, frame in shop.heldout.items():
        _write(held / f"{kind}.csv", _csv(frame))
    _write(held / "gross_errors.csv", _csv(shop.gross_errors))
    _write(folder / "impossible_rows.csv", _csv(shop.impossible_rows))
    _write(folder / "next_week.csv", _csv(shop.next_week))


def _csv(frame: pd.DataFrame) -> str:
    """CSV text; whole numbers without a decimal point, empty cells for what is not known."""
    columns = {}
    for name, column in frame.items():
        whole = column.dropna()
        if pd.api.types.is_float_dtype(column) and len(whole) and (whole % 1 == 0).all():
            column = column.astype("Int64")
        columns[name] = column
    return pd.DataFrame(columns).to_csv(index=False, lineterminator="\n")


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_suffix(path.suffix + ".new")
    beside.write_text(text, encoding="utf-8", newline="\n")
    os.replace(beside, path)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m datasets.demo.generate", description=__doc__)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--recipe", choices=RECIPES, default="medium")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write (default: here)")
    arguments = parser.parse_args(argv)
    started = time.perf_counter()
    shop = make_shop(RECIPES[arguments.recipe], arguments.seed)
    write_shop(shop, arguments.out)
    held = sum(map(len, shop.heldout.values()))
    print(
        f"{len(shop.prints)} prints and {held} held-out prints in "
        f"{time.perf_counter() - started:.1f} s: {arguments.out}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
