"""How the real-print tables in datasets/published were taken from their originals.

Run `python -m tests.extract_published FOLDER`, FOLDER holding the CGATS text files named in
datasets/published/README.md. The tests themselves read only the extracts.
"""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import numpy as np
import pandas as pd

PUBLISHED = Path(__file__).parent.parent / "datasets" / "published"
NOMINAL = ["CMYK_C", "CMYK_M", "CMYK_Y", "CMYK_K"]
SOLIDS = {
    "paper": (0, 0, 0, 0),
    "C": (100, 0, 0, 0),
    "M": (0, 100, 0, 0),
    "Y": (0, 0, 100, 0),
    "K": (0, 0, 0, 100),
    "CM": (100, 100, 0, 0),
    "CY": (100, 0, 100, 0),
    "MY": (0, 100, 100, 0),
    "MK": (0, 100, 0, 100),
}


def read_cgats(path: Path) -> pd.DataFrame:
    """The first data table of a CGATS.17 / ISO 28178 text file, numbers as float64."""
    fields: list[str] = []
    rows: list[list[str]] = []
    section = ""
    for line in path.read_text(encoding="latin-1").splitlines():
        words = shlex.split(line, comments=True)
        if not words:
            continue
        if words[0].startswith("BEGIN_DATA"):
            section = words[0]
        elif words[0] == "END_DATA":
            break
        elif words[0] == "END_DATA_FORMAT":
            section = ""
        elif section == "BEGIN_DATA_FORMAT":
            fields += words
        elif section == "BEGIN_DATA":
            rows.append(words)
    table = pd.DataFrame(rows, columns=fields)
    values = table.columns.drop("SAMPLE_ID")
    return table.astype(dict.fromkeys(values, float))


def overprints(table: pd.DataFrame) -> pd.DataFrame:
    """Each solid C, M, Y over every patch that lacks it: backing and print, repeats averaged."""
    lab = ["LAB_L", "LAB_A", "LAB_B"]
    patches = table.groupby(NOMINAL, as_index=False)[lab].mean()
    frames = []
    for ink in "CMY":
        own = f"CMYK_{ink}"
        others = [column for column in NOMINAL if column != own]
        pairs = patches[patches[own] == 0].merge(
            patches[patches[own] == 100][others + lab], on=others, suffixes=("_back", "_print")
        )
        frames.append(pairs.assign(ink=ink))
    pairs = pd.concat(frames, ignore_index=True)
    numbers = pairs[NOMINAL].astype(int)
    result = pd.DataFrame({"ink": pairs["ink"]})
    result["backing_id"] = [
        "c{}m{}y{}k{}".format(*row) for row in numbers.itertuples(index=False, name=None)
    ]
    for end in ("back", "print"):
        for axis, column in zip("Lab", lab, strict=True):
            result[f"{end}_{axis}"] = pairs[f"{column}_{end}"].round(3)
    return result.join(numbers.set_axis(list("CMYK"), axis=1))


def solid_spectra(table: pd.DataFrame) -> pd.DataFrame:
    """Spectra of paper, solids and overprints of two, 380-730 nm, as fractions, averaged."""
    bands = table.columns[table.columns.str.match(r"SPEC_\d")]
    rows = []
    for patch, nominal in SOLIDS.items():
        same = table[(table[NOMINAL] == nominal).all(axis=1)]
        rows.append([patch, len(same), *(same[bands].mean() / 100).round(5)])
    names = [f"r{band.removeprefix('SPEC_')}" for band in bands]
    return pd.DataFrame(rows, columns=["patch", "patches_averaged", *names])


def extract(folder: Path) -> None:
    """Write the three extracts into datasets/published."""
    for original, extract in (
        ("FOGRA39L.ti3", "coated_backings.csv"),
        ("FOGRA29L.ti3", "uncoated_backings.csv"),
    ):
        overprints(read_cgats(folder / original)).to_csv(PUBLISHED / extract, index=False)
    spectra = solid_spectra(read_cgats(folder / "cmyk_chemical_proof_2376_spectral.ti3"))
    spectra.to_csv(PUBLISHED / "overprint_spectra.csv", index=False, float_format="%.5f")


if __name__ == "__main__":
    np.seterr(all="raise")
    extract(Path(sys.argv[1]))
