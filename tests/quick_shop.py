"""A shop that learns in a second, and what comes into it later."""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import tempfile
from functools import cache
from pathlib import Path
from unittest import mock

import pandas as pd

from learn.predict.model import ShiftModel
from pipelines.cli import main
from tests.small_demo import DEMO, LAB, TRUE_LAB, write_tables

INKS = ["C10", "C24", "U1"]
USUAL = """
[usual.any]
mesh = "77-55"
strokes = 1
[usual.dark]
base = "White base"
press = "P2"
"""


class Quick(ShiftModel):
    """The physics alone, calibrated in a second: how well it learns is no matter here."""

    def __init__(self, **parameters):
        quick = {"terms": [], "calibrate_inks": False, "max_iterations": 0, "restarts": 0}
        super().__init__(**(quick | parameters))


def run(root: Path, *command: str) -> tuple[int, str]:
    """The exit code of a command in the workspace ``root``, and all it says."""
    said = io.StringIO()
    learns_quickly = mock.patch("learn.predict.model.ShiftModel", Quick)
    with learns_quickly, contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        code = main(["--workspace", str(root), *command])
    return code, said.getvalue()


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)


@cache
def truth() -> pd.DataFrame:
    """Prints the history does not hold, with their colour with and without noise."""
    kinds = ("next_prints", "unseen_garment", "unseen_mesh", "unseen_ink", "few_prints")
    rows = pd.concat(pd.read_csv(DEMO / "heldout" / f"{k}.csv", dtype=str) for k in kinds)
    known = ["", *INKS, "C06"]
    rows = rows.fillna("")[lambda r: r["ink_id"].isin(known) & r["underbase_ink_id"].isin(known)]
    rows = rows.iloc[::2].reset_index(drop=True)
    return rows.astype(dict.fromkeys([*LAB, *TRUE_LAB], float))


def write(folder: Path, **tables: pd.DataFrame) -> None:
    folder.mkdir(parents=True)
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False)


@cache
def began() -> Path:
    """The shop `s` that has learnt once; beside it what it was made of (``tables``), other tables
    (``more``, ``usual``), what comes in later (each a folder in ``in``), and jobs to come."""
    root = Path(tempfile.mkdtemp(prefix="quick-shop-"))
    prints = table("prints")
    prints = prints[prints["ink_id"].isin(INKS) & prints["underbase_ink_id"].isin(["", *INKS])]
    jobs = prints["job_id"].drop_duplicates().tolist()
    early = prints[prints["job_id"].isin(jobs[::9])]
    write_tables(root / "tables", INKS, lambda p: p[p["print_id"].isin(early["print_id"])])
    write_tables(root / "more", [*INKS, "C06"], lambda p: p[p["print_id"].isin(early["print_id"])])
    write(root / "in" / "known", prints=prints[prints["job_id"].isin(jobs[1:25:3])])
    some = prints[prints["job_id"].isin(jobs[2:20:6])]
    cards, inks = table("drawdowns"), table("inks")
    all_prints = table("prints")
    of_new = all_prints[(all_prints["ink_id"] == "C06") & (all_prints["underbase_ink_id"] == "")]
    write(
        root / "in" / "ink",
        inks=inks[inks["ink_id"] == "C06"],
        drawdowns=cards[cards["ink_id"] == "C06"],
        prints=of_new.head(3),
    )
    garments, meshes = table("substrates"), table("meshes")
    write(
        root / "in" / "garment",
        substrates=garments[garments["substrate_id"] == "G02"].assign(substrate_id="G99"),
        prints=some.head(2).assign(substrate_id="G99"),
    )
    write(
        root / "in" / "mesh",
        meshes=meshes[meshes["mesh_id"] == "M77-55"].assign(mesh_id="M99", thread_um="48"),
        prints=some.tail(2).assign(mesh_id="M99", press_id="P99"),
    )
    write(
        root / "in" / "no cards",
        inks=inks[inks["ink_id"] == "C06"].assign(ink_id="N1", solids_vol_pct=""),
    )
    shutil.copytree(root / "tables", root / "usual")
    with (root / "usual" / "shop.toml").open("a") as toml:
        toml.write(USUAL)
    jobs_to_come = truth()[truth()["ink_id"].isin(INKS)].head(4).assign(target="35,50,25")
    jobs_to_come = jobs_to_come.rename(columns={"print_id": "setup_id"})
    jobs_to_come.drop(columns=[*LAB, *TRUE_LAB]).to_csv(root / "jobs.csv", index=False)
    odd = early.head(1).assign(print_id="X1", job_id="X", L="99", a="0", b="0")
    write(root / "in" / "odd", prints=odd.drop(columns=[c for c in odd if re.match(r"r\d", c)]))
    for command in (["import", str(root / "tables"), "--shop", "s"], ["learn"]):
        code, said = run(root, *command)
        assert code == 0, said
    return root
