"""The tiny shop read from a folder."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from pipelines.tables.folder import Checked, read_folder
from pipelines.workspace.problems import InputProblems
from tests.tiny_shop import write_shop

TODAY = date(2026, 1, 1)


def read(folder: Path, *, strict: bool = False, **changes: str | None) -> Checked:
    return read_folder(write_shop(folder, **changes), name="tiny", strict=strict, today=TODAY)


def refused(folder: Path, **changes: str | None) -> str:
    with pytest.raises(InputProblems) as error:
        read(folder, **changes)
    return str(error.value)


def assert_same_shop(one: Checked, other: Checked) -> None:
    assert one.shop.settings == other.shop.settings
    for name in ("inks", "substrates", "meshes", "drawdowns", "prints"):
        pd.testing.assert_frame_equal(getattr(one.shop, name), getattr(other.shop, name))
