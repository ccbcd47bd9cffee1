"""What a shop knows, as frames: the one container that every stage reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd  # slow, and the columns are wanted without it

from learn.process import SETTING_COLUMNS

UNDERBASE = ["underbase_ink_id", "underbase_mesh_id", "underbase_strokes"]
UNDERBASE_IDS = UNDERBASE[:2]
SETUP_COLUMNS = [
    "printed_on",
    "job_id",
    "press_id",
    "substrate_id",
    *UNDERBASE,
    "ink_id",
    "ink_lot",
    "mesh_id",
    "strokes",
    "flash_count",
    *SETTING_COLUMNS,
    "readings",
]


def jobs_of(job: pd.Series, prints: Sequence | None = None) -> pd.Series:
    """The job of every print (n,); a print without one is a job of its own, called after the
    print: by its name among ``prints`` (n,), or by its position."""
    names = range(len(job)) if prints is None else prints
    return job.astype(object).where(job.notna(), [f"\x1f{name}" for name in names])


NEW_LOT = "new"  # of a set-up: a lot never printed


def latest_lots(prints: pd.DataFrame, until: pd.Timestamp | None = None) -> dict[str, str]:
    """Ink -> the lot of its last print that names one, of those ``until`` a day where it is known;
    undated prints come first."""
    named = prints[prints["ink_lot"].notna() & (prints["ink_lot"] != NEW_LOT)]
    if until is not None:
        named = named[~(named["printed_on"] > until)]
    in_order = named.sort_values("printed_on", kind="stable", na_position="first")
    return dict(in_order.groupby("ink_id")["ink_lot"].last())


@dataclass(frozen=True)
class ShopSettings:
    """Viewing condition, tolerance and costs of one shop (``shop.toml``)."""

    name: str
    illuminant: str = "D50"
    observer: str = "2"
    tolerance_dE00: float = 2.0
    confidence: float = 0.90
    cost_test_print: float | None = None
    cost_spoiled_print: float | None = None
    repeatability_dE00: float = 0.15
    mixable: tuple[tuple[str, ...], ...] = ()  # ink types that may go into one bucket

    def __post_init__(self) -> None:
        groups = tuple(tuple(group) for group in self.mixable)  # JSON gives lists back
        object.__setattr__(self, "mixable", groups)


def _no_presses() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=["press_id", "press_name", "notes", "aliases"], dtype=object)


def _no_changes() -> pd.DataFrame:
    import pandas as pd

    columns = pd.DataFrame(columns=["press_id", "changed_on", "what", "note"], dtype=object)
    return columns.astype({"changed_on": "datetime64[ns]"})


def _no_tints() -> pd.DataFrame:
    import pandas as pd

    columns = {"ink_id": object, "substrate_id": object, "mixed_with": object}
    columns |= dict.fromkeys(("film_um", "share_pct", "L", "a", "b"), float)
    return pd.DataFrame(columns=list(columns)).astype(columns)


@dataclass(frozen=True)
class Shop:
    """A shop's tables, checked.

    Frames carry the columns of the shop's CSV tables. Identifiers are strings, missing
    ones ``None``; numbers are float64 with NaN for *not known*; ``printed_on`` is
    datetime64 (NaT when missing). A colour is ``r400`` .. ``r700`` (reflectance factor
    0..1, 31 columns at 10 nm, NaN when only Lab is known) and ``L``, ``a``, ``b`` (NaN
    when only a spectrum is known). ``drawdowns.film_um`` is ``inf`` for the bucket. ``presses``
    names presses, and is empty where the shop keeps no list of them; nothing is learnt from it.
    ``changes`` says when a press was mended or changed; from that day on it is another one.
    ``tints`` are drawdowns of two inks, ``share_pct`` percent by weight of ``ink_id`` in
    ``mixed_with``. ``inks`` and ``prints`` may hold ``mix``: ((ink, weight), ...) or None.
    """

    settings: ShopSettings
    inks: pd.DataFrame
    substrates: pd.DataFrame
    meshes: pd.DataFrame
    drawdowns: pd.DataFrame
    prints: pd.DataFrame
    presses: pd.DataFrame = field(default_factory=_no_presses)
    changes: pd.DataFrame = field(default_factory=_no_changes)
    tints: pd.DataFrame = field(default_factory=_no_tints)
