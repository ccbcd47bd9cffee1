"""Commands in random order against a plain model of the shop: its prints and what is decided on
them, its batches, targets and versions."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from pipelines.ledger import store
from pipelines.registry import versions
from pipelines.registry.in_folder import InFolder
from pipelines.registry.opened import read_model
from pipelines.registry.unlearnt import unlearnt
from pipelines.tables.folder import to_shop
from tests.quick_shop import began, run

# MACHINES=50 MOVES=30 in the environment is the long version.
MACHINES, MOVES = (int(os.environ.get(n, k)) for n, k in (("MACHINES", "4"), ("MOVES", "9")))
COMING = ("known", "ink", "garment", "odd")  # folders of `began` with prints
NAMES, COLOURS = ("harbour blue", "club red"), ("32,-4,-30", "40,50,20")
OUT = ("set aside", "doubted")
ANY = st.integers(0, 1000)


@dataclass
class Batch:
    """What came in at one time; ``targets``: the whole list, None where it says nothing of them."""

    kind: str
    prints: list[str]
    targets: dict[str, str] | None = None
    inside: bool = True


def ids(folder: Path) -> list[str]:
    return pd.read_csv(folder / "prints.csv", dtype=str)["print_id"].tolist()


class Shop(RuleBasedStateMachine):
    @initialize()
    def begin(self) -> None:
        self.root = Path(tempfile.mkdtemp(prefix="machine-"))
        for part in ("datasets", "models"):
            shutil.copytree(began() / part, self.root / part)
        self.batches = [Batch("import", ids(began() / "tables"))]
        self.decided: dict[str, str] = {}  # print -> what was decided on it last
        self.stored, self.charge = ["0001"], "0001"
        self.learnt = self.checked = 0

    def teardown(self) -> None:
        if hasattr(self, "root"):
            shutil.rmtree(self.root)

    def does(self, *command: str, refused: str | None = None) -> str:
        code, said = run(self.root, *command)
        assert code == (0 if refused is None else 2), said
        assert refused is None or re.search(refused, said), said
        return said

    # --- the plain model ------------------------------------------------------------------

    def imports(self) -> list[Batch]:
        return [batch for batch in self.batches if batch.kind == "import" and batch.inside]

    def prints(self) -> list[str]:
        """The latest import that is in, and what was recorded and is in."""
        inside = [batch for batch in self.batches if batch.kind == "record" and batch.inside]
        held = [one for batch in (self.imports()[-1], *inside) for one in batch.prints]
        return list(dict.fromkeys(held))

    def out(self) -> set[str]:
        return {one for one in self.prints() if self.decided.get(one) in OUT}

    def targets(self) -> dict[str, str]:
        lists = [b.targets for b in self.batches if b.inside and b.targets is not None]
        return lists[-1] if lists else {}

    @invariant()
    def holds_what_the_model_does(self) -> None:
        source = self.root / "datasets" / "s" / "shop.db"
        state, ledger = store.read_state(source), store.read_ledger(source)
        held = state.given.tables["prints"]["print_id"]
        assert sorted(held) == sorted(self.prints())
        assert {held[row] for row in state.given.set_aside} == self.out()
        assert [ledger.states()[batch.id] for batch in ledger.batches] == [
            batch.inside for batch in self.batches
        ]
        rows = state.given.targets
        told = {} if rows is None else {
            row["name"]: f"{row['L']},{row['a']},{row['b']}" for row in rows.to_dict("records")
        }  # fmt: skip
        assert told == self.targets()
        folder = self.root / "models" / "s"
        assert (InFolder(folder).names(), versions.in_charge(InFolder(folder))) == (
            self.stored,
            self.charge,
        )

    # --- what comes in, goes out and comes in again ---------------------------------------

    @rule(name=st.sampled_from(COMING))
    def record(self, name: str) -> None:
        folder = began() / "in" / name
        before = [
            b for b in self.batches if b.kind == "record" and set(b.prints) >= set(ids(folder))
        ]
        new = [one for one in ids(folder) if one not in self.prints()]
        said = self.does("record", str(folder))
        if before:
            assert ("taken back; " in said) != before[-1].inside
            assert "Nothing was changed" in said
            return
        if not new:
            assert "stands in the shop already" in said
            return
        self.batches.append(Batch("record", new))
        doubted = re.findall(r"^  (\S+): .* dE00 from expected", said, re.M)
        self.decided |= dict.fromkeys(doubted, "doubted")
        assert f"{len(new) - len(doubted)} print" in said

    @rule()
    def export_and_import(self) -> None:
        folder = self.root / "out"
        self.does("export", str(folder), "--force")
        assert sorted(ids(folder)) == sorted(self.prints())
        said = self.does("import", str(folder), "--shop", "s")
        if "Nothing was changed" not in said:
            listed = self.targets() if (folder / "targets.csv").exists() else None
            self.batches.append(Batch("import", self.prints(), listed))
        shutil.rmtree(folder)

    @rule(at=ANY, back=st.booleans())
    def take_back_or_put_back(self, at: int, back: bool) -> None:
        number = at % len(self.batches) + 1
        batch = self.batches[number - 1]
        way = ("history", "--take-back" if back else "--put-back", str(number))
        if back and self.imports() == [batch]:
            self.does(*way, refused="is the only import")
            return
        said = self.does(*way)
        assert ("already; nothing was changed" in said) == (batch.inside != back)
        batch.inside = not back

    # --- what is decided ------------------------------------------------------------------

    @rule(at=ANY, verb=st.sampled_from(["keep", "restore", "set-aside"]))
    def decide(self, at: int, verb: str) -> None:
        one = sorted(self.prints())[at % len(self.prints())]
        reason = ("--reason", "smeared") if verb == "set-aside" else ()
        said = self.does("doubts", verb, one, *reason)
        what = {"keep": "kept", "restore": "restored", "set-aside": "set aside"}[verb]
        assert ("nothing was changed" in said) == (self.decided.get(one) == what)
        self.decided[one] = what

    @rule(at=ANY, lot=st.sampled_from(["L1", "L2"]))
    def correct(self, at: int, lot: str) -> None:
        one = sorted(self.prints())[at % len(self.prints())]
        said = self.does("doubts", "correct", one, "--lot", lot)
        if "says so already" not in said:
            self.decided[one] = "doubted" if "It stays set aside" in said else "corrected"

    @rule(name=st.sampled_from(NAMES), colour=st.sampled_from(COLOURS))
    def target(self, name: str, colour: str) -> None:
        self.does("targets", name, "--colour", colour)
        now = self.targets() | {name: colour}
        if now != self.targets():
            self.batches.append(Batch("targets", [], now))

    @rule(name=st.sampled_from(NAMES))
    def target_gone(self, name: str) -> None:
        now = self.targets()
        if name not in now:
            self.does("targets", "--remove", name, refused="no target")
            return
        self.does("targets", "--remove", name)
        self.batches.append(Batch("targets", [], {k: v for k, v in now.items() if k != name}))

    # --- what is learnt and told ----------------------------------------------------------

    @precondition(lambda self: self.learnt < MOVES // 8)
    @rule(anew=st.booleans())
    def learn(self, anew: bool) -> None:
        self.learnt += 1
        said = self.does("learn", "--workers", "1", *(["--refit"] if anew else []))
        if made := re.search(r"Stored as version (\d+)", said):
            self.stored.append(made[1])
            if f"Model {made[1]} is in charge" in said:
                self.charge = made[1]
        else:
            assert not anew and "nothing was changed" in said

    @rule(at=ANY)
    def use(self, at: int) -> None:
        one = self.stored[at % len(self.stored)]
        said = self.does("models", "--use", one)
        assert ("nothing was changed" in said) == (one == self.charge)
        self.charge = one
        assert re.search(rf"^{one} .* in charge$", self.does("models"), re.M)

    @precondition(lambda self: self.checked < MOVES // 8)
    @rule()
    def check(self) -> None:
        self.checked += 1
        database = self.root / "datasets" / "s" / "shop.db"
        given, kept = store.read(database), InFolder(self.root / "models" / "s")
        stale = bool(unlearnt(read_model(kept)[1], to_shop(given), given.trusted))
        refused = "have changed since version .* run strikeoff learn" if stale else None
        self.does("check", "--quick", "--workers", "1", refused=refused)

    @rule()
    def look(self) -> None:
        said = self.does("doubts", "--all")
        assert set(re.findall(r"^  (\S+)  batch \d+: ", said, re.M)) >= self.out()
        assert len(re.findall(r"^ *\d+ +\d{4}-", self.does("history"), re.M)) == len(self.batches)
        said = self.does("targets")
        assert all(name in said for name in self.targets())


def test_a_shop_holds_what_a_plain_model_of_it_does():
    run_state_machine_as_test(
        Shop,
        settings=settings(
            max_examples=MACHINES,
            stateful_step_count=MOVES,
            deadline=None,
            derandomize=True,
            phases=[Phase.generate],  # to find the shortest way to a failure takes minutes
            suppress_health_check=list(HealthCheck),
        ),
    )
