"""What may happen to a stored model, its report card and the file that says which is in charge."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from tests.damaged.files import HOW, Damage, Kinds, flip, whole_file
from tests.damaged.shop import MODEL, ONE, OTHER

FILES = (
    f"{ONE}/arrays.npz", f"{ONE}/model.json", f"{ONE}/SHA256", "CURRENT", "forecasts.jsonl",
    "forecasts.sha256",
)  # fmt: skip


def _json(change: Callable[[dict, np.random.Generator], None], sealed: bool = False) -> Damage:
    """The description edited; ``sealed``: with a checksum of its own that fits again."""

    def damage(root: Path, rng: np.random.Generator) -> None:
        path = root / MODEL / ONE / "model.json"
        facts = json.loads(path.read_text())
        change(facts, rng)
        path.write_text(json.dumps(facts, indent=1))
        if sealed:
            seal = hashlib.sha256(f"{ONE}\n".encode() + path.read_bytes()).hexdigest()
            (path.parent / "SHA256").write_text(seal + "\n")

    return damage


def _leaves(tree: object) -> Iterator[tuple[dict | list, object]]:
    """Every place of a description that holds no further one."""
    parts = tree.items() if isinstance(tree, dict) else enumerate(tree)  # type: ignore[arg-type]
    for key, value in parts:
        if isinstance(value, dict | list) and value:
            yield from _leaves(value)
        else:
            yield tree, key  # type: ignore[misc]


def _leaf(to: Callable[[object], object]) -> Callable[[dict, np.random.Generator], None]:
    def change(facts: dict, rng: np.random.Generator) -> None:
        places = list(_leaves(facts))
        at, key = places[rng.integers(len(places))]
        at[key] = to(at[key])  # type: ignore[index]

    return change


LEAVES: dict[str, Callable[[object], object]] = {
    "number": lambda value: value * 1.01 + 1 if isinstance(value, int | float) else 3.5,
    "NaN": lambda _: float("nan"),
    "nothing": lambda _: None,
    "text": lambda value: f"{value}x",
    "nested": lambda value: [[[value]]],
    "huge": lambda _: 1e308,
}


def _arrays(change: Callable[[dict[str, np.ndarray], str], None], told: bool) -> Damage:
    """An array edited; ``told``: with its checksum in the description set right."""

    def damage(root: Path, rng: np.random.Generator) -> None:
        folder = root / MODEL / ONE
        with np.load(folder / "arrays.npz") as stored:
            arrays = {name: stored[name] for name in stored.files}
        change(arrays, sorted(arrays)[rng.integers(len(arrays))])
        with (folder / "arrays.npz").open("wb") as file:
            np.savez_compressed(file, **arrays)  # type: ignore[arg-type]
        if told:
            digest = hashlib.sha256((folder / "arrays.npz").read_bytes()).hexdigest()
            _json(lambda facts, _: facts.update(arrays_sha256=digest))(root, rng)

    return damage


ARRAYS: dict[str, Callable[[dict[str, np.ndarray], str], None]] = {
    "NaN": lambda arrays, name: arrays.update({name: np.full_like(arrays[name], np.nan)}),
    "another shape": lambda arrays, name: arrays.update({name: arrays[name].ravel()[:-1]}),
    "other numbers": lambda arrays, name: arrays.update({name: arrays[name] * 1.01}),
    "gone": lambda arrays, name: arrays.__delitem__(name),
    "text": lambda arrays, name: arrays.update({name: np.array(["x"])}),
    "one more": lambda arrays, _: arrays.update(other=np.zeros(3)),
}


def _folders(how: str) -> Damage:
    def damage(root: Path, _: np.random.Generator) -> None:
        folder = root / MODEL
        one, other = folder / ONE, folder / OTHER
        match how:
            case "renamed to the next number":
                one.rename(folder / "0003")
            case "renamed 1^2":
                one.rename(folder / "1\N{SUPERSCRIPT TWO}")
            case "one more called 1^2":
                shutil.copytree(other, folder / "1\N{SUPERSCRIPT TWO}")
            case "copied to the next number":
                shutil.copytree(other, folder / "0003")
            case "an empty one of the next number":
                (folder / "0003").mkdir()
            case "the earlier copied over it":
                shutil.rmtree(one)
                shutil.copytree(other, one)
            case "the two exchanged":
                one.rename(folder / "x")
                other.rename(one)
                (folder / "x").rename(other)
            case "gone":
                shutil.rmtree(one)
            case "the earlier gone":
                shutil.rmtree(other)
            case "all gone":
                shutil.rmtree(one)
                shutil.rmtree(other)
            case _:
                names = how.split(" and ")
                for name in names:
                    shutil.copy(other / name, one / name)

    return damage


FOLDERS = (
    "renamed to the next number", "renamed 1^2", "one more called 1^2",
    "copied to the next number", "an empty one of the next number", "the earlier copied over it",
    "the two exchanged", "gone", "the earlier gone", "arrays.npz", "model.json", "SHA256",
    "arrays.npz and model.json", "model.json and SHA256",
)  # fmt: skip


def _text(name: str, change: Callable[[str], str]) -> Damage:
    def damage(root: Path, _: np.random.Generator) -> None:
        path = root / MODEL / name
        path.write_text(change(path.read_text()))

    return damage


CHARGE: dict[str, Callable[[str], str]] = {
    "the earlier": lambda text: text.replace(ONE, OTHER),
    "the earlier alone": lambda _: f"{OTHER}\n",
    "its own alone": lambda _: f"{ONE}\n",
    "one that is not": lambda text: text.replace(ONE, "0007"),
    "without zeros": lambda text: text.replace(ONE, "2"),
    "a word": lambda _: "latest\n",
    "a path": lambda _: "../w/0001\n",
    "two": lambda _: f"{ONE} {OTHER}\n",
    "more blanks": lambda text: f"  {text}\n\n",
}
CARD: dict[str, Callable[[str], str]] = {
    "a number": lambda text: re.sub(r'("dE00": \[)[0-9.]+', r"\g<1>0.01", text),
    "in charge": lambda text: text.replace('"in_charge": true', '"in_charge": false'),
    "version": lambda text: text.replace(f'"version": "{OTHER}"', f'"version": "{ONE}"'),
    "a line less": lambda text: "".join(text.splitlines(keepends=True)[1:]),
    "lines twice": lambda text: text.replace("0.", "0.0", 1) + text,
    "no JSON": lambda text: text.replace("{", "(", 1),
}


def models() -> Kinds:
    """What happens to a model, by kind and name."""
    flips: dict[str, Damage] = {}
    for name, n in zip(FILES, (24, 16, 8, 12, 12, 8), strict=True):
        path = MODEL / name
        for i in range(n):
            flips[f"{name} {i}"] = lambda root, rng, path=path: flip(root / path, rng)  # type: ignore[misc]
    for i in range(4):
        flips[f"the other's arrays {i}"] = lambda root, rng: flip(
            root / MODEL / OTHER / "arrays.npz", rng
        )
    files: dict[str, Damage] = {
        f"{name} {how}": lambda root, _, name=name, how=how: whole_file(root / MODEL / name, how)  # type: ignore[misc]
        for name in FILES
        for how in HOW
    }
    return {
        "model: a bit flipped": flips,
        "model: a file cut, emptied, another thing": files,
        "model: description edited": {
            f"{name} {i}": _json(_leaf(to)) for name, to in LEAVES.items() for i in range(4)
        },
        "model: description edited and sealed": {
            f"{name} {i}": _json(_leaf(to), sealed=True)
            for name, to in LEAVES.items()
            for i in range(2)
        },
        "model: arrays edited": {
            f"{name}{', checksum too' * told}": _arrays(change, told)
            for name, change in ARRAYS.items()
            for told in (False, True)
        },
        "model: folders and files mixed up": {how: _folders(how) for how in FOLDERS},
        "model: which is in charge": {n: _text("CURRENT", change) for n, change in CHARGE.items()},
        "model: report card edited": {
            n: _text("forecasts.jsonl", change) for n, change in CARD.items()
        },
    }
