"""A small shop with two versions of its model; what it answers, and what damage makes of that."""

from __future__ import annotations

import copy
import io
import re
import shutil
import signal
import zlib
from contextlib import redirect_stderr, redirect_stdout, suppress
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from learn.predict.model import ShiftModel
from pipelines.cli import main
from pipelines.ledger import store
from pipelines.registry import promotion, versions
from pipelines.registry.catalogue import Catalogue
from pipelines.registry.in_folder import InFolder
from pipelines.tables.folder import to_shop
from pipelines.workspace.problems import UserError
from tests.damaged.files import Damage, remove
from tests.worlds import tables
from tests.worlds.shop import draw_shop

SEED, PRINTS, BATCH = 5, 60, 12  # of no part of the shops that choices are made on
MODEL, DATABASE_FILE = Path("models/w"), Path("datasets/w/shop.db")
ONE, OTHER = "0002", "0001"  # the version in charge, and the one before
TOO_LONG_S = 60
WELL = ("unchanged", "told")
WORST = (*WELL, "silent", "stuck", "crashed")


def stored_shop(root: Path) -> Path:
    """A shop whose first prints were imported and learnt, and the last recorded and appended."""
    root.mkdir()
    drawn = draw_shop(SEED, PRINTS, "few", ask=1)
    folder, source = root / "tables", root / DATABASE_FILE
    tables.write(drawn, folder)
    prints = pd.read_csv(folder / "prints.csv", dtype=str, keep_default_na=False)
    prints.iloc[:-BATCH].to_csv(folder / "prints.csv", index=False)
    prints.iloc[-BATCH:].to_csv(root / "batch.csv", index=False)
    prints.iloc[:4].drop(columns=[c for c in prints if re.fullmatch(r"r\d+|[Lab]|readings", c)]
                         ).rename(columns={"print_id": "setup_id"}
                                  ).to_csv(root / "setups.csv", index=False)  # fmt: skip
    _do(root, "import", str(folder), "--shop", "w")
    shop = to_shop(store.read(source))
    model = ShiftModel(max_iterations=2).fit(shop)
    _save(root, model, None)
    _do(root, "record", str(root / "batch.csv"))
    shop = to_shop(store.read(source))
    charge = promotion.opened(InFolder(root / MODEL), OTHER, shop)
    assert charge is not None
    from learn.fit.fingerprints import marks_of

    promotion.score_batch(InFolder(root / MODEL), charge, None, shop, marks_of(shop), [], [])
    more = copy.copy(charge.model)
    more.append(shop)
    _save(root, more, charge)
    _do(root, "doubts", "set-aside", str(prints["print_id"][0]), "--reason", "smeared")
    return root


def _do(root: Path, *words: str) -> None:
    with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()) as said:
        code = main(["--workspace", str(root), *words])
    assert code == 0, said.getvalue()


def _save(root: Path, model: ShiftModel, after: promotion.Charge | None) -> None:
    given = store.read(root / DATABASE_FILE)
    facts = {
        "data_sha256": versions.fingerprint(given),
        "database_sha256": versions.database_stamp(root / DATABASE_FILE),
        "catalogue": Catalogue.of(to_shop(given)).facts(),
        "rows": {"prints": len(given.tables["prints"])},
        "validation": model.validation_,
        "learnt": {"after": after and after.version, "fitted": after and after.fitted},
    }
    versions.save(InFolder(root / MODEL), *model.to_state(), facts)


class Answer(NamedTuple):
    """What a command gave: its code, both screens, the files it wrote; the error of a crash."""

    code: int
    out: str
    err: str
    files: dict[str, bytes]
    crash: str = ""


def ask(root: Path, *words: str) -> Answer:
    """Run a command; ``out`` among its words is where it writes."""
    out = root / "out"
    shutil.rmtree(out, ignore_errors=True)
    words = tuple(str(out / word) if word.startswith("out") else word for word in words)
    screens, crash, code = (io.StringIO(), io.StringIO()), "", 0
    out.mkdir()
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(TOO_LONG_S)
    try:
        with redirect_stdout(screens[0]), redirect_stderr(screens[1]):
            code = main(["--workspace", str(root), *words])
    except Exception as error:  # noqa: BLE001  whatever it is, it is what is looked for
        crash = f"{type(error).__name__}: {error}"
    finally:
        signal.alarm(0)
    files = {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file()}
    shown = [one.getvalue().replace(str(root), "ROOT") for one in screens]
    return Answer(code, shown[0], shown[1], files, crash)


def _too_long(*_: object) -> None:
    raise TimeoutError(f"more than {TOO_LONG_S} s")


def predicted(root: Path) -> Answer:
    return ask(root, "predict", str(root / "setups.csv"), "--out", "out.csv")


def answers(root: Path, of: str) -> dict[str, Answer]:
    """What is told of a shop by what is damaged: its "model" or its "shop.db"."""
    if of == "model":
        return {"predict": predicted(root), "models": ask(root, "models", "--details")}
    return {"export": ask(root, "export", "out"), "history": ask(root, "history")}


class Sound(NamedTuple):
    """A sound shop in ``place``, kept in ``kept``, what it answers, what each version predicts."""

    place: Path
    kept: Path
    answers: dict[str, dict[str, Answer]]
    predicted: dict[str, tuple[str, dict[str, bytes]]]


def sound(root: Path) -> Sound:
    """Make a shop in ``root`` and ask it everything."""
    place, by_version = stored_shop(root / "shop"), {}
    for name in (OTHER, ONE):
        _do(place, "models", "--use", name)
        by_version[name] = _said(predicted(place))
    assert by_version[ONE] != by_version[OTHER]
    good = {of: answers(place, of) for of in ("model", "shop.db")}
    assert all(one.code == 0 and not one.crash for each in good.values() for one in each.values())
    shutil.copytree(place, root / "kept")
    return Sound(place, root / "kept", good, by_version)


def _said(one: Answer) -> tuple[str, dict[str, bytes]]:
    """What is answered and by which version: that counts what the other has learnt, in passing."""
    return one.out, one.files


def outcome(whole: Sound, kind: str, name: str, damage: Damage) -> tuple[str, str]:
    """What became of a damaged shop, and what was said."""
    place, of = whole.place, kind.split(":")[0]
    shutil.rmtree(place)
    shutil.copytree(whole.kept, place, symlinks=True)
    damage(place, np.random.default_rng(zlib.crc32(f"{kind} {name}".encode())))
    became, said = "unchanged", ""
    for asked, now in answers(place, of).items():
        one = _judged(whole.answers[of][asked], now)
        if WORST.index(one) > WORST.index(became):
            became, said = one, f"{asked}: {now.crash or now.err or now.out}".strip()
    if became == "told" and (why := _no_help(whole, place, said)):
        return "stuck", f"{said} [{why}]"
    return became, said


_TELLS = re.compile(
    "damaged|is missing|was not written so|is not what was put in charge|no model version|"
    "None is in charge|not there any more"
)


def _judged(good: Answer, now: Answer) -> str:
    if now.crash:
        return "crashed"
    if now.code == 2:
        one_sentence = len(now.err.splitlines()) == 1 and now.err.startswith("strikeoff: ")
        return "told" if one_sentence else "crashed"
    if (now.code, now.out, now.files) == (good.code, good.out, good.files):
        return "unchanged"
    new = [line for line in (now.out + now.err).splitlines() if line not in good.out]
    return "told" if now.files == good.files and _TELLS.search("\n".join(new)) else "silent"


def _no_other(place: Path) -> str:
    """A version that can be read and was not offered, if there is one."""
    for name in InFolder(place / MODEL).names():
        if not versions.is_changed(InFolder(place / MODEL), name):
            with suppress(UserError):
                versions.load(InFolder(place / MODEL), name)
                return f"{name} was not offered"
    return ""


def _no_help(whole: Sound, place: Path, said: str) -> str:
    """Why doing what was said does not give a sound answer again; empty where it does."""
    if "shop.db" in said:
        if "move it away" in said:
            remove(place / DATABASE_FILE)
        if "into another workspace" in said:
            place = place / "another"
            place.mkdir()
        if (done := ask(place, "import", str(whole.place / "tables"), "--shop", "w")).code:
            return done.err or done.crash
        return "" if ask(place, "export", "out").code == 0 else "no export after the import"
    now = predicted(place)
    if now.code:
        offered = re.findall(r"strikeoff models --use ([0-9]+)", now.err)
        if not offered and "run strikeoff learn to make a new one" in now.err:
            return _no_other(place)
        if not offered:
            return "no version offered"
        if (done := ask(place, "models", "--use", offered[-1])).code:
            return done.err or done.crash
        now = predicted(place)
        if _said(now) != whole.predicted[offered[-1]]:
            return f"{offered[-1]} does not predict as it did: {now.err}"
    if "report card" in ask(place, "models").out and "damaged" in said:
        for name in ("forecasts.jsonl", "forecasts.sha256"):
            remove(place / MODEL / name)
    return "" if ask(place, "models").code == 0 else "models cannot be listed"
