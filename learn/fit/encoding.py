"""Set-ups as numbers: what the physics needs, and what the residual model looks at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NoReturn

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from learn.colour.colorimetry import Viewing, reflectance_from_lab
from learn.errors import Unusable
from learn.fit.eras import eras_of, no_jumps, stretches_of
from learn.fit.gaps import alike, filled
from learn.physics.deposit import complete_inks, complete_meshes
from learn.physics.drawdowns import LAB, body_of, has_pores, reflectance_columns
from learn.physics.print_model import Stack, acted_on
from learn.process import NUMBERS, SETTING_COLUMNS, SETTINGS
from learn.shop import SETUP_COLUMNS, Shop

Array = NDArray[np.floating]


def _stencils(prints: pd.DataFrame) -> tuple[float, float]:
    """The middle stencil of a history, um, and by how much (sd) all but the farthest few differ."""
    known = prints["eom_um"].astype(float).dropna() if "eom_um" in prints else []
    if not len(known):
        return next(s.usual for s in SETTINGS if s.name == "eom_um"), 0.0
    return float(np.median(known)), float(np.clip(known, *np.quantile(known, [0.02, 0.98])).std())


# Where no print says through which mesh a base went, it was one of the shop's coarser ones (common
# practice, no source): with this share of its meshes finer.
COARSER = 0.75


def _base_volumes(prints: pd.DataFrame, meshes: pd.DataFrame) -> tuple[float, float, bool]:
    """What a mesh that bases go through holds in the middle, cm3/m2; by how much (sd) these meshes
    differ, print by print; and whether there are bases, and no print says through which they went.

    ``meshes``: completed, by their ids.
    """
    volume = meshes["theoretical_ink_cm3_m2"].astype(float)
    prints = prints.reindex(columns=["underbase_ink_id", "underbase_mesh_id"])
    through = volume.reindex(prints["underbase_mesh_id"].dropna()).dropna()
    if len(through):
        return float(through.median()), float(through.std(ddof=0)), False
    if not len(volume):
        return 1.0, 0.0, False  # nobody can ask for a print
    never_told = bool(prints["underbase_ink_id"].notna().any())
    return float(volume.quantile(COARSER)), float(volume.std(ddof=0)), never_told


# Where so large a share of the prints over a base are known to have the same strokes, an empty cell
# is one that was forgotten, and no way to say "one" (common practice, no source).
MOSTLY = 0.8


def _base_strokes(prints: pd.DataFrame) -> float:
    """The strokes of nearly all prints over a base; where they differ or are seldom told, one."""
    prints = prints.reindex(columns=["underbase_ink_id", "underbase_strokes"])
    told = prints["underbase_strokes"][prints["underbase_ink_id"].notna()].astype(float)
    shares = told.value_counts(normalize=True, dropna=False).drop(np.nan, errors="ignore")
    return float(shares.idxmax()) if shares.max() >= MOSTLY else 1.0


def _flashes(prints: pd.DataFrame) -> tuple[float, float]:
    """Between which share of the strokes there is a flash where a print does not tell, and how far
    off, to the farther side, that may be.

    As often as where it is told. But some shops leave the cell of none empty: where each that is
    told has one, and a good part is not told, these may have none.
    """
    prints = prints.reindex(columns=["strokes", "flash_count"]).astype(float)
    several = prints[prints["strokes"] > 1]
    told = (several["flash_count"] / (several["strokes"] - 1)).dropna()
    if not len(told) or (told.min() > 0 and len(told) < MOSTLY * len(several)):
        return 0.0, 0.5
    share = float((told.sum() + 1) / (len(told) + 2))  # believed of so many
    apart = float(np.sqrt(share * (1 - share)))
    return share, apart if share <= 0.5 else -apart


def _lots_told(prints: pd.DataFrame) -> bool:
    """Whether any print says of which lot its ink was; so it is of a shop that has none yet."""
    return bool(prints.reindex(columns=["ink_lot"])["ink_lot"].notna().any()) or not len(prints)


def substrate_reflectance(substrates: pd.DataFrame, viewing: Viewing) -> Array:
    """Measured reflectance (n, 31) of bare substrates; from Lab where no spectrum is."""
    r = reflectance_columns(substrates)
    missing = ~np.isfinite(r).all(axis=1)
    if missing.any():
        r[missing] = reflectance_from_lab(substrates.loc[missing, LAB].to_numpy(float), viewing)
    return r


def changes_in(shop: Shop) -> pd.DataFrame:
    """What an encoder keeps of a shop's recorded changes, each press and day once."""
    told = shop.changes[["press_id", "changed_on"]]
    return told.drop_duplicates().sort_values(["press_id", "changed_on"]).reset_index(drop=True)


# Of light, the mean share that dark cloth sends back less of: L* 50.
DARK = 0.184


@dataclass(frozen=True)
class Encoder:
    """Looks up the ids of set-ups in a shop's tables."""

    inks: pd.DataFrame  # solids completed
    substrates: pd.DataFrame
    meshes: pd.DataFrame  # geometry completed
    substrate_r: Array  # (n_substrates, 31) measured
    first_day: pd.Timestamp
    usual_stencil_um: float  # of a base, and where a print's is not known
    stencils_apart_um: float  # by how much (sd) those of this history differ
    usual_base_volume: float  # cm3/m2, of the mesh of a base where it is not known
    base_volumes_apart: float  # by how much (sd) those of this history differ
    base_meshes_untold: bool  # whether it has bases, and tells of none through which mesh it went
    usual_base_strokes: float  # where a print does not tell
    usual_flashes: float  # between which share of the strokes, where a print does not tell
    flashes_apart: float  # how far off that may be, to the farther side
    lots_told: bool  # whether any print says of which lot its ink was
    changes: pd.DataFrame  # of presses: press_id, changed_on
    jumps: pd.DataFrame = field(default_factory=no_jumps)  # and those nobody wrote down: era, day
    alike: tuple[str, ...] = ()  # columns in which prints of one job are alike
    coated_cards: bool = True  # see `learn.physics.shelf.are_coated`

    @classmethod
    def of(cls, shop: Shop, viewing: Viewing) -> Encoder:
        """An encoder over every ink, substrate and mesh the shop has described."""
        usual_um, apart_um = _stencils(shop.prints)
        usual_flashes, flashes_apart = _flashes(shop.prints)
        meshes = complete_meshes(shop.meshes).set_index("mesh_id")
        usual_volume, volumes_apart, untold = _base_volumes(shop.prints, meshes)
        dates = shop.prints["printed_on"].dropna() if len(shop.prints) else []
        return cls(
            inks=complete_inks(shop.inks).set_index("ink_id"),
            substrates=shop.substrates.set_index("substrate_id"),
            meshes=meshes,
            substrate_r=substrate_reflectance(shop.substrates, viewing),
            usual_stencil_um=usual_um,
            stencils_apart_um=apart_um,
            usual_base_volume=usual_volume,
            base_volumes_apart=volumes_apart,
            base_meshes_untold=untold,
            usual_base_strokes=_base_strokes(shop.prints),
            usual_flashes=usual_flashes,
            flashes_apart=flashes_apart,
            first_day=min(dates) if len(dates) else pd.Timestamp("2000-01-01"),
            lots_told=_lots_told(shop.prints),
            changes=changes_in(shop),
            alike=alike(shop.prints),
        )

    def unknown(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Ids that stand in no table: columns ``row`` (position), ``column``, ``value``."""
        tables = {
            "substrate_id": self.substrates,
            "ink_id": self.inks,
            "mesh_id": self.meshes,
            "underbase_ink_id": self.inks,
            "underbase_mesh_id": self.meshes,
        }
        found = []
        for column, table in tables.items():
            if column not in setups:
                continue
            ids = setups[column]
            lost = ids.notna().to_numpy() & ~ids.isin(table.index).to_numpy()
            if not column.startswith("underbase"):
                lost |= ids.isna().to_numpy()
            found += [(row, column, ids.iloc[row]) for row in np.flatnonzero(lost)]
        return pd.DataFrame(found, columns=["row", "column", "value"])

    def completed(self, setups: pd.DataFrame) -> pd.DataFrame:
        """Set-ups with empty cells as the others of their job have them (`learn.fit.gaps`)."""
        return filled(setups, self.alike)

    def _refuse(self, setups: pd.DataFrame) -> NoReturn:
        row, column, value = self.unknown(setups).iloc[0]
        msg = f"set-up {row + 1}: {column} '{value}' is in none of the shop's tables"
        raise Unusable(msg)

    def layers(self, setups: pd.DataFrame, shelf: Sequence[str]) -> Stack:
        """Set-ups as the physics wants them, inks by their position among the ids ``shelf``.

        Raises
        ------
        Unusable
            when an ink, mesh or substrate stands in none of the tables.
        """
        setups = setups.reindex(columns=SETUP_COLUMNS)
        ink = self.inks.index.get_indexer(setups["ink_id"])
        base = self.inks.index.get_indexer(setups["underbase_ink_id"])
        mesh = self.meshes.index.get_indexer(setups["mesh_id"])
        base_mesh = self.meshes.index.get_indexer(setups["underbase_mesh_id"])
        on = self.substrates.index.get_indexer(setups["substrate_id"])
        based, through = setups["underbase_ink_id"].notna(), setups["underbase_mesh_id"].notna()
        lost = (ink < 0) | (mesh < 0) | (on < 0)
        if (lost | ((base < 0) & based) | ((base_mesh < 0) & through)).any():
            self._refuse(setups)
        volume = self.meshes["theoretical_ink_cm3_m2"].to_numpy(float)
        solids = np.log(self.inks["solids_vol_pct"].to_numpy(float) / 100)
        cloth = body_of(self.substrates, self.substrate_r, self.coated_cards)
        strokes = setups["strokes"].astype(float).fillna(1.0).to_numpy()
        base_strokes = setups["underbase_strokes"].astype(float)
        flashes = setups["flash_count"].astype(float)
        return Stack(
            ink=pd.Index(shelf).get_indexer(setups["ink_id"]),
            base=pd.Index(shelf).get_indexer(setups["underbase_ink_id"]),
            volume=volume[mesh],
            base_volume=np.where(base_mesh < 0, self.usual_base_volume, volume[base_mesh]),
            stencil_um=setups["eom_um"].astype(float).fillna(self.usual_stencil_um).to_numpy(),
            base_stencil_um=np.full(len(setups), self.usual_stencil_um),
            log_solids=solids[ink],
            log_base_solids=np.where(base >= 0, solids[base], 0.0),
            strokes=strokes,
            flashes=np.where(flashes.isna(), self.usual_flashes * (strokes - 1), flashes),
            base_strokes=base_strokes.fillna(self.usual_base_strokes).to_numpy(),
            cloth=cloth[on],
            pores=has_pores(self.substrates)[on].astype(float),
            discharges=(self.inks["ink_type"] == "discharge").to_numpy(float)[ink],
        )

    def _fibre(self, garments: pd.Series) -> NDArray[np.object_]:
        """The fibre of each garment (n,); one that nobody wrote down is one of its own, of which
        the prints on that garment tell."""
        told = self.substrates["fibre"].reindex(garments).to_numpy(object)
        own = "\x1f" + garments.astype(object).to_numpy()
        return np.where(pd.isna(told), own, told)

    def over(self, setups: pd.DataFrame) -> pd.Series:
        """The type of each ink and that of the base beneath it, (n,); missing where there is no
        base, a type is not known, or both are the same: what is made to go together."""
        types = self.inks["ink_type"].astype(object)
        top, base = (
            types.reindex(setups[column]).reset_index(drop=True)
            for column in ("ink_id", "underbase_ink_id")
        )
        return (top + "\x1f" + base).where(top != base)

    def straight_on(self, setups: pd.DataFrame) -> pd.Series:
        """The type of each ink and whether the cloth that it lies on without a base is dark, (n,);
        missing over a base, or where the type is not known."""
        types = self.inks["ink_type"].astype(object)
        types = types.reindex(setups["ink_id"]).reset_index(drop=True)
        dark = self.substrate_r.mean(axis=1) < DARK
        at = self.substrates.index.get_indexer(setups["substrate_id"])
        bare = setups["underbase_ink_id"].reset_index(drop=True).isna()
        return (types + np.where(dark[at], "\x1fdark", "\x1flight")).where(bare)

    def _log_volume(self, mesh_ids: pd.Series) -> Array:
        volume = self.meshes["theoretical_ink_cm3_m2"].astype(float).reindex(mesh_ids)
        return np.log(volume.to_numpy())

    def process(self, setups: pd.DataFrame, stack: Stack) -> pd.DataFrame:
        """What the residual model looks at: scaled numbers (NaN = not known) and levels."""
        setups = setups.reindex(columns=SETUP_COLUMNS).reset_index(drop=True)
        based = stack.base >= 0
        base_volume = np.log(stack.base_volume)
        printed_on = pd.to_datetime(setups["printed_on"])
        era, begun = eras_of(setups["press_id"], printed_on, self.changes)
        day = (printed_on - self.first_day).dt.total_seconds() / 86400
        begun = (begun - self.first_day).dt.total_seconds() / 86400
        columns: dict[str, Any] = {
            "log_volume": self._log_volume(setups["mesh_id"]) - np.log(25.0),
            "strokes": stack.strokes,
            "wet_strokes": stack.strokes - 1 - stack.flashes,
            "flashes": stack.flashes,
            "log_base_volume": np.where(based, base_volume - np.log(50.0), 0.0),
            "base_strokes": np.where(based, stack.base_strokes - 1, 0.0),
            "day": day,
            "day_of_era": day - begun.fillna(0.0),
        }
        columns |= {column: setups[column] for column in SETTING_COLUMNS}
        for number in NUMBERS:
            columns[number.name] = np.asarray(columns[number.name], float) / number.step
        columns["stretch"] = stretches_of(era, np.asarray(columns["day"], float), self.jumps)
        # what a cell left open may hold more, or less: of stencil, flashes, a base's mesh, strokes
        open_um, flashes = self.stencils_apart_um, self.flashes_apart * (stack.strokes - 1)
        # what a base through a mesh that is told lays beside those of which none was, nobody knows
        base_open = based & (setups["underbase_mesh_id"].isna() | self.base_meshes_untold)
        columns |= {
            "open_stencil_um": np.where(setups["eom_um"].isna(), open_um, 0.0),
            "open_flashes": np.where(setups["flash_count"].isna(), flashes, 0.0),
            "open_base_volume": np.where(base_open, self.base_volumes_apart, 0.0),
            "open_base_strokes": (based & setups["underbase_strokes"].isna()).astype(float),
        }
        where = acted_on(stack)
        columns |= {kind: where[kind] for kind in ("bare", "based", "discharged")}
        # how lots differ is in the scatter of prints where none of these tells its lot, but not how
        # one that is named differs from all of those
        columns["of_lot"] = setups["ink_lot"].notna() | self.lots_told
        columns |= {
            "ink": setups["ink_id"],
            "base_ink": setups["underbase_ink_id"],
            "base_mesh": setups["underbase_mesh_id"].where(based),
            "lot": setups["ink_id"] + "\x1f" + setups["ink_lot"].astype(object),
            "press": setups["press_id"],
            "era": era,
            "mesh": setups["mesh_id"],
            "job": setups["job_id"],
            "substrate": setups["substrate_id"],
            "laid_on": setups["substrate_id"] + np.where(based, "\x1fbased", "\x1fbare"),
            "fibre": self._fibre(setups["substrate_id"]),
            "ink_type": self.inks["ink_type"].reindex(setups["ink_id"]).to_numpy(),
            "over": self.over(setups),
            "straight_on": self.straight_on(setups),
        }
        return pd.DataFrame(columns)
