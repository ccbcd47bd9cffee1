"""Whatever a shop does in whatever order, every ink can be predicted and all advice works."""

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
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry import versions
from tests.small_demo import DEMO, write_tables

INKS = ["C10", "C24", "U1"]
ADVISED = re.compile(
    r"strikeoff ((?:learn|status|check|doubts|history|models)(?: --?[a-z-]+ \d+| keep \w+)?)"
)
MOST_LEARNT = 2  # in one sequence: each takes a second
OTHERS = [
    ["status"],
    ["new-ink", "--ink", "C10", "--most", "1"],
    ["mix", "--target", "45,50,30", "--garment", "G01", "--mesh", "M77-55"],
    ["models"],
    ["doubts"],
    ["history"],
]


class Quick(ShiftModel):
    """The physics alone, calibrated in a second: how well it learns is no matter here."""

    def __init__(self, **parameters):
        quick = {"terms": [], "calibrate_inks": False, "max_iterations": 0, "restarts": 0}
        super().__init__(**(quick | parameters))


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / "tables" / f"{name}.csv", dtype=str, keep_default_na=False)


def write(folder: Path, **tables: pd.DataFrame) -> None:
    folder.mkdir(parents=True)
    for name, frame in tables.items():
        frame.to_csv(folder / f"{name}.csv", index=False)


@cache
def began() -> Path:
    """A shop that has learnt once, and what comes in later, each in a folder."""
    root = Path(tempfile.mkdtemp(prefix="sequences-"))
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
    odd = early.head(1).assign(print_id="X1", job_id="X", L="99", a="0", b="0")
    write(root / "in" / "odd", prints=odd.drop(columns=[c for c in odd if re.match(r"r\d", c)]))
    with mock.patch("learn.predict.model.ShiftModel", Quick), quiet():
        assert main(["--workspace", str(root), "import", str(root / "tables"), "--shop", "s"]) == 0
        assert main(["--workspace", str(root), "learn"]) == 0
    return root


@contextlib.contextmanager
def quiet():
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        yield said


class Shop:
    """A copy of that shop, worked at by commands."""

    def __init__(self) -> None:
        self.root = Path(tempfile.mkdtemp(prefix="sequence-"))
        shutil.copytree(began(), self.root, dirs_exist_ok=True)
        self.said, self.done = "", []

    def run(self, *command: str, refused: bool = False) -> str:
        """Run a command; it must succeed, or - if it may be ``refused`` - say why."""
        self.done.append(" ".join(command))
        with mock.patch("learn.predict.model.ShiftModel", Quick), quiet() as said:
            code = main(["--workspace", str(self.root), *command])
        self.said = said.getvalue()
        assert code == 0 or (refused and code == 2), f"{self.done}\n{self.said}"
        return self.said

    def tables(self):
        return store.read(self.root / "datasets" / "s" / "shop.db").tables

    def predict_everything(self) -> str:
        """Every ink of the tables on every garment, through the newest mesh."""
        now = self.tables()
        garments = now["substrates"].query("kind == 'garment'")["substrate_id"]
        rows = now["inks"][["ink_id"]].merge(garments.to_frame(), how="cross")
        rows = rows.assign(mesh_id=now["meshes"]["mesh_id"].iloc[-1], strokes="1", flash_count="0")
        rows.assign(setup_id=[f"s{i}" for i in rows.index]).to_csv(self.root / "all.csv")
        said = self.run("predict", str(self.root / "all.csv"), "--out", str(self.root / "out.csv"))
        assert len(pd.read_csv(self.root / "out.csv")) == len(rows)
        return said

    def close(self) -> None:
        shutil.rmtree(self.root)


class Sequences(RuleBasedStateMachine):
    """Random sequences of what changes a shop or its model."""

    def __init__(self) -> None:
        super().__init__()
        self.shop, self.learnt, self.advised = Shop(), 0, []

    def did(self, *command: str, refused: bool = False) -> str:
        said = self.shop.run(*command, refused=refused)
        self.advised = ADVISED.findall(" ".join(said.split()))
        return said

    @rule(batch=st.sampled_from(["known", "ink", "garment", "mesh", "no cards", "odd"]))
    def record(self, batch):
        self.did("record", str(self.shop.root / "in" / batch), refused=True)

    @rule(data=st.data(), put=st.booleans())
    def take_back_or_put_back(self, data, put):
        ledger = store.read_ledger(self.shop.root / "datasets" / "s" / "shop.db")
        number = data.draw(st.integers(1, len(ledger.batches)))
        self.did("history", "--put-back" if put else "--take-back", str(number), refused=True)

    @rule(data=st.data(), how=st.sampled_from(["keep", "set-aside", "lab", "mesh", "ink"]))
    def decide(self, data, how):
        print_id = data.draw(st.sampled_from(sorted(self.shop.tables()["prints"]["print_id"])))
        more = {
            "keep": ["keep", print_id],
            "set-aside": ["set-aside", print_id, "--reason", "smeared"],
            "lab": ["correct", print_id, "--lab", "50,10,10"],
            "mesh": ["correct", print_id, "--mesh", "M61-64"],
            "ink": ["correct", print_id, "--ink", "C10"],
        }
        self.did("doubts", *more[how], refused=True)

    @rule(tables=st.sampled_from(["tables", "more"]))
    def import_again(self, tables):
        self.did("import", str(self.shop.root / tables), "--shop", "s", refused=True)

    @precondition(lambda self: self.learnt < MOST_LEARNT)
    @rule(refit=st.booleans())
    def learn(self, refit):
        self.learnt += 1
        self.did("learn", *(["--refit"] if refit else []))
        assert "run strikeoff learn" not in self.shop.predict_everything(), self.shop.done

    @rule(data=st.data())
    def use(self, data):
        stored = versions.versions(self.shop.root / "models" / "s")
        self.did("models", "--use", data.draw(st.sampled_from(stored)))

    @rule(command=st.sampled_from(OTHERS))
    def look(self, command):
        self.did(*command)

    @precondition(lambda self: self.advised and self.learnt < MOST_LEARNT)
    @rule(data=st.data())
    def follow_advice(self, data):
        command = data.draw(st.sampled_from(sorted(set(self.advised)))).split()
        self.learnt += command[0] == "learn"
        self.did(*command)

    @invariant()
    def everything_can_be_predicted(self):
        self.advised += ADVISED.findall(" ".join(self.shop.predict_everything().split()))

    def teardown(self):
        self.shop.close()


# no shrinking: a failing sequence is short, and told by its commands
Sequences.TestCase.settings = settings(
    max_examples=3, stateful_step_count=8, phases=[Phase.generate]
)
TestSequences = Sequences.TestCase
