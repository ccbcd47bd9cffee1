"""A group of shops that learn in a second, here and in workers."""

from __future__ import annotations

import shutil
from pathlib import Path
from unittest import mock

from pipelines.tasks import plants
from pipelines.tasks.plants import Asked, Learnt
from tests.quick_shop import Quick, began, run

NAMES = ("north", "south", "west", "east")


def learn_quickly(asked: Asked) -> Learnt:
    """As a worker learns, with a model that is quick; by its name a worker finds it."""
    with mock.patch("learn.predict.model.ShiftModel", Quick):
        return plants.learn_plant(asked)


def check_quickly(asked: Asked) -> tuple:
    with (
        mock.patch("learn.predict.model.ShiftModel", Quick),
        mock.patch("learn.assessment.learning_curve.ShiftModel", Quick),
    ):
        return plants.check_part(asked)


def group_of(root: Path, names: tuple[str, ...] = NAMES) -> Path:
    """A workspace with shops of these names, nothing learnt, and `group.toml`."""
    root.mkdir(exist_ok=True)
    for name in names:
        code, said = run(root, "import", str(began() / "tables"), "--shop", name)
        assert code == 0, said
    text = "\n".join(f'[[shop]]\nname = "{name}"' for name in names)
    (root / "group.toml").write_text(f'name = "Our plants"\n{text}\n')
    return root


def copy_of(root: Path, to: Path, names: tuple[str, ...] = NAMES) -> Path:
    """A copy of the workspace, with these of its shops; `group.toml` stays as it is."""
    others = set(NAMES) - set(names)
    return Path(shutil.copytree(root, to, ignore=lambda _, found: others.intersection(found)))


def versions_in(root: Path) -> dict[str, bytes]:
    """Every stored array file, by shop and version."""
    files = sorted(root.glob("models/*/0*/arrays.npz"))
    return {str(file.parent.relative_to(root / "models")): file.read_bytes() for file in files}
