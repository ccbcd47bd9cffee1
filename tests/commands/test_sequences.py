"""Whatever a shop does in whatever order: every ink can be predicted, all advice works, and
nothing goes straight to production that lies far off."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from pathlib import Path
from random import Random

import pandas as pd
import pytest

from learn.colour.colorimetry import delta_e00
from pipelines.ledger import store
from pipelines.registry.in_folder import InFolder
from tests.quick_shop import began, run, truth
from tests.small_demo import LAB, TRUE_LAB

ADVISED = re.compile(
    r"strikeoff ((?:learn|status|check|doubts|history|models)(?: --?[a-z-]+ \d+| keep \w+)?)"
)
# SEQUENCES=8 STEPS=20 in the environment is the long version.
SEQUENCES, STEPS = (int(os.environ.get(n, k)) for n, k in (("SEQUENCES", "2"), ("STEPS", "8")))
MOST_LEARNT = STEPS // 4  # in one sequence: each takes a second
OTHERS = [
    ["status"],
    ["new-ink", "--ink", "C10", "--most", "1"],
    ["mix", "--target", "45,50,30", "--garment", "G01", "--mesh", "M77-55"],
    ["models"],
    ["doubts"],
    ["history"],
    ["list", "inks"],
    ["list", "jobs"],
    ["plan", "--target", "35,50,25", "--garment", "black tee", "--garment", "G01"],
    ["predict", "deep red", "black tee", "--target", "35,50,25"],
    ["why", "deep red", "black tee", "--beside", "garment=white cotton"],
    ["compare", "deep red,bright white", "black tee,white cotton"],
    ["next-test", "{root}/jobs.csv"],
]
SLIPS = [
    ["depe red", "black tee"],
    ["deep red", "blck tee"],
    ["deep red", "G01", "--mesh", "77-54"],
]
MEANT = re.compile(r'(--[a-z-]+): "([^"]+)" is not in [^?]*\(is "(\S+)[^"]*" meant')


class Shop:
    """A copy of that shop, worked at by commands."""

    def __init__(self) -> None:
        self.root = Path(tempfile.mkdtemp(prefix="sequence-"))
        shutil.copytree(began(), self.root, dirs_exist_ok=True)
        self.said, self.done = "", []
        self.goes, self.short = 0, 0.0  # set-ups that went; hits they promised and did not keep

    def run(self, *command: str, refused: bool = False) -> str:
        """Run a command; it must succeed, or - if it may be ``refused`` - say why."""
        command = tuple(part.format(root=self.root) for part in command)
        if command[0] != "predict":
            self.done.append(" ".join(command))
        code, self.said = run(self.root, *command)
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

    def nothing_goes_far_off(self) -> None:
        """Set-ups whose colour is known, aimed at it, a tolerance beside it and far from it: what
        is two tolerances off never goes, and what goes comes true about as often as is said."""
        now = self.tables()
        known = truth()
        for column, table in (("ink_id", "inks"), ("mesh_id", "meshes")):
            known = known[known[column].isin(now[table][column])]
        known = pd.concat([known.assign(off=off) for off in (0.0, 2.0, 5.0)], ignore_index=True)
        aim = known[TRUE_LAB].to_numpy()
        aim[:, 0] += known["off"].where(aim[:, 0] < 60, -known["off"])
        aims = dict(zip(("target_L", "target_a", "target_b"), aim.T, strict=True))
        rows = known.drop(columns=[*LAB, *TRUE_LAB, "off", "print_id"]).assign(
            setup_id=[f"s{i}" for i in known.index], **aims
        )
        rows.to_csv(self.root / "aimed.csv", index=False)
        self.run("predict", str(self.root / "aimed.csv"), "--out", str(self.root / "out.csv"))
        told = pd.read_csv(self.root / "out.csv")
        go = (told["verdict"] == "go").to_numpy()
        off = delta_e00(known[TRUE_LAB].to_numpy(), aim)
        far = go & (off > 4.0)  # the tolerance is 2
        assert not far.any(), f"{self.done}\n{told[far].to_string()}"
        self.goes += int(go.sum())
        came = delta_e00(known[LAB].to_numpy(), aim) <= 2.0
        self.short += float((told["p_in_tolerance"] - came)[go].sum())

    def close(self) -> None:
        shutil.rmtree(self.root)


class Sequence:
    """Random moves of a shop, each by a command; the same for the same seed."""

    def __init__(self, seed: int) -> None:
        self.shop, self.learnt = Shop(), 0
        self.advised: list[str] = []
        self.draw = Random(seed)
        self.moves = [
            *(self.record, self.take_back_or_put_back, self.decide, self.import_again),
            *(self.learn, self.use, self.look, self.mistype, self.follow_advice),
        ]

    def step(self) -> None:
        """One move, and what holds after each."""
        self.draw.choice(self.moves)()
        self.advised += ADVISED.findall(" ".join(self.shop.predict_everything().split()))
        self.shop.nothing_goes_far_off()

    def did(self, *command: str, refused: bool = False) -> str:
        said = self.shop.run(*command, refused=refused)
        self.advised = ADVISED.findall(" ".join(said.split()))
        return said

    def record(self) -> None:
        batch = self.draw.choice(["known", "ink", "garment", "mesh", "no cards", "odd"])
        self.did("record", str(self.shop.root / "in" / batch), refused=True)

    def take_back_or_put_back(self) -> None:
        ledger = store.read_ledger(self.shop.root / "datasets" / "s" / "shop.db")
        number = self.draw.randint(1, len(ledger.batches))
        way = self.draw.choice(["--put-back", "--take-back"])
        self.did("history", way, str(number), refused=True)

    def decide(self) -> None:
        one = self.draw.choice(sorted(self.shop.tables()["prints"]["print_id"]))
        how = [
            ["keep", one],
            ["set-aside", one, "--reason", "smeared"],
            ["correct", one, "--lab", "50,10,10"],
            ["correct", one, "--mesh", "61-64"],
            ["correct", one, "--ink", "deep red"],
        ]
        self.did("doubts", *self.draw.choice(how), refused=True)

    def import_again(self) -> None:
        tables = self.draw.choice(["tables", "more", "usual"])
        self.did("import", str(self.shop.root / tables), "--shop", "s", refused=True)

    def learn(self) -> None:
        if self.learnt < MOST_LEARNT:
            self.learnt += 1
            self.did("learn", *self.draw.choice([["--refit"], []]))
            assert "run strikeoff learn" not in self.shop.predict_everything(), self.shop.done

    def use(self) -> None:
        stored = InFolder(self.shop.root / "models" / "s").names()
        self.did("models", "--use", self.draw.choice(stored))

    def look(self) -> None:
        self.did(*self.draw.choice(OTHERS))

    def mistype(self) -> None:
        """The slip alone is told, and with what is said to be meant it works."""
        slip = self.draw.choice(SLIPS)
        told = " ".join(self.shop.run("predict", *slip, refused=True).split())
        ((_, written, meant),) = MEANT.findall(told)
        self.did("predict", *[meant if part == written else part for part in slip])

    def follow_advice(self) -> None:
        if self.advised:
            command = self.draw.choice(sorted(set(self.advised))).split()
            if command[0] != "learn":
                self.did(*command)
            elif self.learnt < MOST_LEARNT:
                self.learnt += 1
                self.did(*command)


@pytest.mark.parametrize("seed", range(SEQUENCES))
def test_no_dead_end_no_wrong_go_and_all_advice_works(seed):
    sequence = Sequence(seed)
    try:
        for _ in range(STEPS):
            sequence.step()
    finally:
        print(*sequence.shop.done, sequence.shop.said, sep="\n")  # shown where it fails
        sequence.shop.close()
    shop = sequence.shop
    assert shop.goes > 0
    assert shop.short <= 0.1 * shop.goes, (shop.short, shop.goes)  # of the hits that were promised
