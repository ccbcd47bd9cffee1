"""A drawn shop as the tables it hands over: text cells, files, and read back by the readers."""

from __future__ import annotations

import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.shop import Shop
from pipelines.registry.catalogue import Catalogue
from pipelines.tables.folder import check_setups, read_folder
from tests.worlds.light import NM, lab_of
from tests.worlds.shop import TOLERANCE, Drawn, Query
from tests.worlds.world import World

Array = NDArray[np.floating]

FIRST_DAY = pd.Timestamp("2023-01-02")
BANDS = [f"r{nm:.0f}" for nm in NM]
LAB = ["L", "a", "b"]
SHOP_TOML = f"""name = "Invented shop {{name}}"
illuminant = "D50"
observer = "2"
tolerance_dE00 = {TOLERANCE}
confidence = 0.9
repeatability_dE00 = 0.15
"""


def frames(drawn: Drawn) -> dict[str, pd.DataFrame]:
    """Every table as a frame, named without ``.csv``."""
    world, spectra = drawn.world, drawn.kind != "few"
    everywhere = np.full(len(world.cloths.frame), spectra)
    names = pd.Series([f"H{i + 1:05d}" for i in range(len(drawn.history))], name="print_id")
    prints = pd.concat([names, setup_columns(world, drawn.shown)], axis=1)
    return {
        "inks": world.inks.frame,
        "substrates": _with_colour(world.cloths.frame, world.bare(), everywhere),
        "meshes": world.meshes.frame,
        "drawdowns": drawdown_columns(drawn, drawn.drawdowns, drawn.drawdown_r),
        "prints": _with_colour(prints, drawn.measured, drawn.spectral),
    }


def drawdown_columns(drawn: Drawn, cards: pd.DataFrame, r: Array) -> pd.DataFrame:
    """Cards of inks on cloths, read as ``r`` (n, 31), under the columns of the tables."""
    world, film = drawn.world, cards["film_um"]
    cells = pd.DataFrame(
        {
            "ink_id": _ids(world.inks.frame["ink_id"], cards["ink"]),
            "substrate_id": _ids(world.cloths.frame["substrate_id"], cards["cloth"]),
            "film_um": film.map("{:.0f}".format).where(np.isfinite(film), "bucket"),
        }
    )
    return _with_colour(cells, r, np.full(len(cells), drawn.kind != "few"))


def setup_columns(world: World, shown: pd.DataFrame) -> pd.DataFrame:
    """Set-ups under the columns of the tables, NaN and None for an empty cell."""
    lot_names = pd.Series(
        [
            f"{ink_id}-{number:02d}"
            for ink_id, number in zip(
                world.inks.frame["ink_id"].to_numpy()[world.lots.ink],
                world.lots.number,
                strict=True,
            )
        ]
    )
    mesh = world.meshes.frame["mesh_id"]
    base = shown["base"].where(shown["base"] >= 0)
    day = FIRST_DAY + pd.to_timedelta(shown["day"], unit="D")
    return pd.DataFrame(
        {
            "printed_on": day.dt.strftime("%Y-%m-%d"),
            "job_id": shown["job"].map("J{:05d}".format),
            "press_id": _ids(pd.Series(world.presses.names), shown["press"]),
            "substrate_id": _ids(world.cloths.frame["substrate_id"], shown["cloth"]),
            "underbase_ink_id": _ids(world.inks.frame["ink_id"], base),
            "underbase_mesh_id": _ids(mesh, shown["base_mesh"].where(base.notna())),
            "underbase_strokes": shown["base_strokes"].where(base.notna()),
            "ink_id": _ids(world.inks.frame["ink_id"], shown["ink"]),
            "ink_lot": _ids(lot_names, shown["lot"]),
            "mesh_id": _ids(mesh, shown["mesh"]),
            "strokes": shown["strokes"],
            "flash_count": shown["flashes"],
            "squeegee_shore_a": shown["shore"],
            "squeegee_angle_deg": shown["angle"],
            "off_contact_mm": shown["gap"],
            "eom_um": shown["eom"],
            "readings": shown["readings"],
        }
    )


def write(drawn: Drawn, folder: Path) -> None:
    """The folder a shop hands over."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, frame in frames(drawn).items():
        frame.to_csv(folder / f"{name}.csv", index=False)
    (folder / "shop.toml").write_text(SHOP_TOML.format(name=drawn.name), encoding="utf-8")


def read(drawn: Drawn) -> Shop:
    """The shop as the readers see it, by way of a folder."""
    with tempfile.TemporaryDirectory() as folder:
        write(drawn, Path(folder))
        return read_folder(Path(folder), name=drawn.name).shop


def read_query(drawn: Drawn, shop: Shop, query: Query) -> pd.DataFrame:
    """Set-ups with their targets, typed by the readers."""
    cells = setup_columns(drawn.world, query.shown)
    cells.insert(0, "setup_id", [f"S{i + 1:04d}" for i in range(len(cells))])
    for i, channel in enumerate(LAB):
        cells[f"target_{channel}"] = np.round(query.target[:, i], 2)
    text = cells.astype(object).where(cells.notna(), "").astype(str)
    # dates after today are meant: most of it is asked after the history
    return check_setups(text, Catalogue.of(shop).names(), "query.csv", today=date(9000, 1, 1))


def _ids(names: pd.Series, at: pd.Series) -> pd.Series:
    """Names at positions; None where a position is not known."""
    known = at.notna().to_numpy()
    found = np.full(len(at), None, object)
    found[known] = names.to_numpy()[at.to_numpy()[known].astype(int)]
    return pd.Series(found)


def _with_colour(frame: pd.DataFrame, spectra: Array, spectral: NDArray) -> pd.DataFrame:
    """Colour columns: spectra where asked, Lab elsewhere."""
    asked = spectral[:, None]
    wide = pd.DataFrame(np.where(asked, np.round(spectra, 4), np.nan), columns=BANDS)
    lab = pd.DataFrame(np.where(asked, np.nan, np.round(lab_of(spectra), 2)), columns=LAB)
    some = [c for c in (lab, wide) if c.notna().to_numpy().any()]
    return pd.concat([frame.reset_index(drop=True), *some], axis=1)
