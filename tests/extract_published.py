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


def spectral_backings(table: pd.DataFrame, every: int = 2) -> pd.DataFrame:
    """Solid C, M, Y over backings without that ink: spectra 400-700 nm, every second print.

    Print and backing are seldom two patches of the same nominals, so the backing's spectrum is
    interpolated between the patches that lack the ink: a Gaussian process over their nominals,
    on the principal components of the root of reflectance. Predicted from the others, those
    patches lie at a median of 0.46 dE00 from their own reading.
    """
    bands = [f"SPEC_{nm}" for nm in range(400, 701, 10)]
    names = [f"r{band.removeprefix('SPEC_')}" for band in bands]
    frames = []
    for ink in "CMY":
        own = f"CMYK_{ink}"
        others = [column for column in NOMINAL if column != own]
        without, solid = table[table[own] == 0], table[table[own] == 100].iloc[::every]
        back = _interpolated(
            without[others].to_numpy() / 100,
            without[bands].to_numpy() / 100,
            solid[others].to_numpy() / 100,
        )
        nominal = solid[NOMINAL].assign(**{own: 0.0}).set_axis(list("CMYK"), axis=1).round(1)
        ends = [back, solid[bands].to_numpy() / 100]
        spectra = [
            pd.DataFrame(r.round(4), solid.index, [f"{end}_{name}" for name in names])
            for end, r in zip(("back", "print"), ends, strict=True)
        ]
        frames.append(pd.concat([nominal, *spectra], axis=1).assign(ink=ink))
    pairs = pd.concat(frames, ignore_index=True)
    return pairs[["ink", *pairs.columns.drop("ink")]]


def _interpolated(nominal: np.ndarray, spectra: np.ndarray, at: np.ndarray) -> np.ndarray:
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    root = np.sqrt(np.maximum(spectra, 1e-4))
    middle = root.mean(axis=0)
    components = np.linalg.svd(root - middle, full_matrices=False)[2][:8]
    kernel = ConstantKernel(1.0) * RBF(np.ones(3), (0.05, 20.0)) + WhiteKernel(1e-3, (1e-7, 1.0))
    scores = [
        GaussianProcessRegressor(kernel, normalize_y=True).fit(nominal, y).predict(at)
        for y in components @ (root - middle).T
    ]
    return (middle + np.stack(scores, axis=1) @ components) ** 2


def extract(folder: Path) -> None:
    """Write the extracts into datasets/published."""
    for original, extract in (
        ("FOGRA39L.ti3", "coated_backings.csv"),
        ("FOGRA29L.ti3", "uncoated_backings.csv"),
    ):
        overprints(read_cgats(folder / original)).to_csv(PUBLISHED / extract, index=False)
    proof = read_cgats(folder / "cmyk_chemical_proof_2376_spectral.ti3")
    pairs = spectral_backings(proof)
    pairs.to_csv(PUBLISHED / "proof_backings.csv", index=False, float_format="%.5g")
    spectra = solid_spectra(proof)
    spectra.to_csv(PUBLISHED / "overprint_spectra.csv", index=False, float_format="%.5f")


if __name__ == "__main__":
    np.seterr(divide="raise", over="raise", invalid="raise")
    extract(Path(sys.argv[1]))
