"""A part of the invented demo shop, small enough to be learnt from within a test run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd

from learn.colour.colorimetry import delta_e00
from learn.planning.candidates import Limits
from learn.predict.model import Prediction, ShiftModel
from learn.predict.serialise import FORM
from learn.shop import Shop
from pipelines.cli import main
from pipelines.registry import versions
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.in_folder import InFolder
from pipelines.tables.folder import read_folder

DEMO = Path(__file__).parents[1] / "datasets" / "demo"
# From process-clear to opaque: clear magenta, warm yellow, bright red (never printed), its
# opaque twin (printed once), deep red, turquoise, white, black; the white base.
INKS = ["C02", "C06", "C08", "C09", "C10", "C19", "C24", "C26", "U1"]
TINY_INKS = ["C02", "C19", "C24", "U1"]
GARMENTS = ["G01", "G02", "G04"]  # white cotton, black cotton, grey blend
SMALL = Limits(inks=("C08", "C10", "C19"), meshes=("M43-80", "M77-55", "M120-34"), presses=("P1",))
LAB, TRUE_LAB = ["L", "a", "b"], ["true_L", "true_a", "true_b"]


@cache
def demo() -> Shop:
    """The whole demo shop as its tables tell it."""
    return read_folder(DEMO / "tables", name="demo").shop


def restricted(shop: Shop, prints: pd.DataFrame, inks: list[str]) -> Shop:
    """The shop with these prints and inks alone; every garment, card and mesh stays."""
    return replace(
        shop,
        inks=shop.inks[shop.inks["ink_id"].isin(inks)].reset_index(drop=True),
        drawdowns=shop.drawdowns[shop.drawdowns["ink_id"].isin(inks)].reset_index(drop=True),
        prints=prints.reset_index(drop=True),
    )


def of_known_inks(prints: pd.DataFrame) -> pd.DataFrame:
    """Those of `prints` that use no other ink or base than `INKS`."""
    top, base = prints["ink_id"].isin(INKS), prints["underbase_ink_id"]
    return prints[top & (base.isna() | base.isin(INKS))].reset_index(drop=True)


def gross_errors() -> set[str]:
    """The prints of the history that were spoilt on purpose."""
    return set(pd.read_csv(DEMO / "heldout" / "gross_errors.csv")["print_id"])


@cache
def small_shop() -> Shop:
    """Every second job of `INKS` in the demo history, and every job with a spoilt print."""
    prints = of_known_inks(demo().prints)
    spoilt = prints["job_id"].isin(prints["job_id"][prints["print_id"].isin(gross_errors())])
    return restricted(demo(), prints[(pd.factorize(prints["job_id"])[0] % 2 == 0) | spoilt], INKS)


@cache
def small_model() -> ShiftModel:
    """Learnt from `small_shop`, once a test run."""
    return ShiftModel(max_iterations=6).fit(small_shop())


def as_before(model: ShiftModel) -> tuple[dict, dict]:
    """The arrays and the description of a model that an earlier program stored."""
    arrays, description = model.to_state()
    return arrays, description | {"form": FORM - 1}


@cache
def stored_small_model() -> ShiftModel:
    """The same, stored and read again."""
    return ShiftModel.from_state(*small_model().to_state())


def held_out(kind: str) -> pd.DataFrame:
    """Held-out prints of `INKS`, typed as set-ups, with ``true_L``, ``true_a``, ``true_b``."""
    prints = pd.read_csv(DEMO / "heldout" / f"{kind}.csv", parse_dates=["printed_on"])
    texts = [c for c in prints if c.endswith("_id") or c == "ink_lot"]
    prints[texts] = prints[texts].astype(object).where(prints[texts].notna(), None)
    return of_known_inks(prints).rename(columns={"print_id": "setup_id"})


def small_workspace(root: Path) -> Path:
    """The small shop in a database under ``root``, and the model that has learnt it."""
    shop = small_shop()
    write_tables(
        root / "tables",
        shop.inks["ink_id"].tolist(),
        lambda prints: prints[prints["print_id"].isin(shop.prints["print_id"])],
    )
    assert main(["--workspace", str(root), "import", str(root / "tables"), "--shop", "s"]) == 0
    facts = {"catalogue": Catalogue.of(shop).facts(), "validation": small_model().validation_}
    facts |= {"database_sha256": versions.database_stamp(root / "datasets" / "s" / "shop.db")}
    facts |= {"data_sha256": ""}
    versions.save(InFolder(root / "models" / "s"), *small_model().to_state(), facts)
    return root


def prints_of(inks: list[str]) -> pd.DataFrame:
    """Sound prints of the demo history with these inks and bases alone."""
    prints = demo().prints
    based = prints["underbase_ink_id"]
    of_inks = prints["ink_id"].isin(inks) & (based.isna() | based.isin(inks))
    return prints[of_inks & ~prints["print_id"].isin(gross_errors())].reset_index(drop=True)


@cache
def tiny_shop() -> Shop:
    """Three inks and a base, every fourth job: about sixty prints."""
    prints = prints_of(TINY_INKS)
    every_fourth = pd.factorize(prints["job_id"])[0] % 4 == 0
    return restricted(demo(), prints[every_fourth], TINY_INKS)


def learnt(shop: Shop, **parameters) -> ShiftModel:
    """Learnt by a short search."""
    return ShiftModel(**({"max_iterations": 2} | parameters)).fit(shop)


def roughly_learnt(shop: Shop) -> ShiftModel:
    """Learnt by a short search, for what it says of the middle: its bands were held against no
    print that was left out."""
    with mock.patch.object(ShiftModel, "_calibrate"):
        return learnt(shop, restarts=0)


@cache
def tiny_model() -> ShiftModel:
    """Learnt from `tiny_shop`, once a test run."""
    return learnt(tiny_shop())


def next_prints(inks: list[str] | None = None) -> pd.DataFrame:
    """Held-out prints of the history's own weeks, with these inks alone if any are named."""
    rows = held_out("next_prints")
    return rows if inks is None else rows[rows["ink_id"].isin(inks)].reset_index(drop=True)


def missed(model: ShiftModel, setups: pd.DataFrame) -> np.ndarray:
    """dE00 of each prediction to the noise-free colour."""
    return delta_e00(model.predict_lab(setups).mean, setups[TRUE_LAB].to_numpy(float))


def write_tables(
    folder: Path, inks: list[str], part: Callable[[pd.DataFrame], pd.DataFrame]
) -> None:
    """Write the demo's tables with these inks, and of the prints with them what `part` takes."""
    folder.mkdir(parents=True)
    (folder / "shop.toml").write_text((DEMO / "tables" / "shop.toml").read_text())
    for name in ("inks", "drawdowns", "substrates", "meshes", "prints"):
        frame = pd.read_csv(DEMO / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)
        if "ink_id" in frame:
            frame = frame[frame["ink_id"].isin(inks)]
        if name == "prints":
            frame = part(frame[frame["underbase_ink_id"].isin(["", *inks])])
        frame.to_csv(folder / f"{name}.csv", index=False)


def rms_z(p: Prediction, measured: np.ndarray) -> float:
    """Root mean square of error over stated standard deviation: 1 for honest Gaussian bands, 1/2
    for bands twice as wide as they need be."""
    z = (measured - p.mean) / np.sqrt(np.einsum("nii->ni", p.covariance))
    return float(np.sqrt((z**2).mean()))


def mean_sd(model: ShiftModel, setups: pd.DataFrame) -> float:
    """Mean predicted standard deviation over L, a and b."""
    return model.predict(setups)[["L_sd", "a_sd", "b_sd"]].to_numpy().mean()
