"""How well held-out prints could be, and naively are, foretold.

``python -m datasets.demo.floor [FOLDER]`` prints both by kind.

*Floor*: dE00 of the measured print itself to its noise-free colour. *Nearest*: dE00 of the
most alike past print of the same ink (of the ink most alike on the white card, where it has none).
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .colour_of import measured_lab

HERE = Path(__file__).resolve().parent
# Unlikeness of two set-ups: a mismatch of each of these counts as
MISMATCH = {"substrate_id": 10.0, "underbase_ink_id": 6.0, "mesh_id": 3.0, "press_id": 1.0}
# and a difference of this much in these as one.
PER_UNIT = {
    "strokes": 0.5,
    "flash_count": 0.5,
    "squeegee_shore_a": 10.0,
    "squeegee_angle_deg": 10.0,
    "off_contact_mm": 1.0,
    "eom_um": 8.0,
}


def nearest_past(
    history: pd.DataFrame, asked: pd.DataFrame, card_lab: pd.DataFrame
) -> NDArray[np.int64]:
    """Row of ``history`` most alike to each row of ``asked``; ``card_lab`` by ink."""
    unlike = np.zeros((len(asked), len(history)))
    for column, weight in MISMATCH.items():
        old, new = (t[column].fillna("").astype(str).to_numpy() for t in (history, asked))
        unlike += weight * (new[:, None] != old[None])
    for column, unit in PER_UNIT.items():
        old, new = (t[column].to_numpy(float) for t in (history, asked))
        unlike += np.nan_to_num(np.abs(new[:, None] - old[None]) / unit, nan=0.3)
    old, new = (
        card_lab.reindex(t["ink_id"]).to_numpy() for t in (history, asked)
    )  # unknown on the card: far away
    ink_gap = np.linalg.norm(new[:, None] - old[None], axis=-1)
    ink_gap = np.nan_to_num(ink_gap, nan=500.0)
    same = asked["ink_id"].to_numpy()[:, None] == history["ink_id"].to_numpy()[None]
    return np.argmin(unlike + 1000.0 * np.where(same, 0.0, ink_gap), axis=1)


def floor_table(folder: Path) -> pd.DataFrame:
    """Median dE00 by kind: rows, floor, nearest."""
    import colour

    history = pd.read_csv(folder / "tables" / "prints.csv")
    impossible = pd.read_csv(folder / "impossible_rows.csv")["print_id"]
    history = history[~history["print_id"].isin(impossible)].reset_index(drop=True)
    cards = pd.read_csv(folder / "tables" / "drawdowns.csv", dtype={"film_um": str})
    cards = cards[(cards["substrate_id"] == "WCARD") & (cards["film_um"] != "bucket")]
    cards = cards.drop_duplicates("ink_id")
    card_lab = pd.DataFrame(measured_lab(cards), index=cards["ink_id"])
    past = measured_lab(history)
    rows = {}
    for path in sorted((folder / "heldout").glob("*.csv")):
        if path.stem == "gross_errors":
            continue
        asked = pd.read_csv(path)
        truth = asked[["true_L", "true_a", "true_b"]].to_numpy()
        near = past[nearest_past(history, asked, card_lab)]
        rows[path.stem] = [len(asked)] + [
            float(np.median(colour.delta_E(lab, truth, method="CIE 2000")))
            for lab in (measured_lab(asked), near)
        ]
    return pd.DataFrame.from_dict(rows, orient="index", columns=["prints", "floor", "nearest"])


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m datasets.demo.floor", description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=HERE)
    print(floor_table(parser.parse_args(argv).folder).round(2).to_string())
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
