"""Tolerances so wide that a slip is likelier than a wish: 20 where 2.0 was meant lets all go."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from learn.shop import ShopSettings
from pipelines.words.common import listed

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.registry.opened import Opened

WIDE = 3.0  # times the shop's own tolerance from which on it is told; no source
SHOWN = 6


def wide_tolerances(
    tolerances: Iterable[float | None], settings: ShopSettings, ids: Sequence[str] = ()
) -> list[str]:
    """A note on those that are much wider than the shop's own; ``ids``: what each is the
    tolerance of, where there are several."""
    usual = settings.tolerance_dE00
    wide = {i: t for i, t in enumerate(tolerances) if t is not None and t > WIDE * usual}
    if not wide:
        return []
    most = max(wide.values())
    of = [str(ids[i]) for i in wide] if len(ids) > 1 else []
    more = [f"{len(of) - SHOWN} more"] if len(of) > SHOWN else []
    several = "s" if of[1:] else ""
    where = f" of set-up{several} {listed([*of[:SHOWN], *more])}" if of else ""
    return [
        f"the tolerance{where} is {most:g} dE00{' at most' if len(wide) > 1 else ''}, "
        f"{most / usual:.0f} times the shop's own of {usual:g}: check that it is meant."
    ]


def wide_of(setups: pd.DataFrame, opened: Opened) -> list[str]:
    """The same of set-ups of a file."""
    ids = setups["setup_id"].tolist()
    return wide_tolerances(setups["tolerance_dE00"], opened.catalogue.settings, ids)
