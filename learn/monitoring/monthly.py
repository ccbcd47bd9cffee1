"""How much ink each press laid beside what was expected of it, month by month."""

from __future__ import annotations

import numpy as np
import pandas as pd

from learn.normal import Z90

MOST = np.log(100.0)  # of a film error: what thick opaque prints tell of their film is next to none
COLUMNS = ["press", "month", "prints", "percent", "lo", "hi"]


def by_month(frame: pd.DataFrame) -> pd.DataFrame:
    """Film errors (`learn.monitoring.innovations`) averaged by press and month.

    ``frame``: press, date, ``film_error`` (log film, measured minus forecast by a shop that stands
    still), ``film_sd``. Each print counts by how much it tells of its film (inverse variance).

    Returns
    -------
    frame of `COLUMNS`: ``month`` its first day, ``percent`` more (or less) ink than expected with
    its 90 % band ``lo`` to ``hi``; by press, then in time order
    """
    known = frame[frame["press"].notna() & frame["date"].notna()]
    if not len(known):
        return pd.DataFrame(columns=COLUMNS)
    weight = known["film_sd"].to_numpy(float) ** -2.0
    month = pd.to_datetime(known["date"]).dt.to_period("M").dt.to_timestamp()
    sums = (
        pd.DataFrame(
            {
                "press": known["press"].astype(str),
                "month": month,
                "prints": 1,
                "told": weight,
                "error": weight * known["film_error"].to_numpy(float),
            }
        )
        .groupby(["press", "month"], as_index=False)
        .sum()
    )
    middle = sums["error"] / sums["told"]
    half = Z90 / np.sqrt(sums["told"])
    ends = {"percent": middle, "lo": middle - half, "hi": middle + half}
    found = sums.assign(**{k: 100 * np.expm1(v.clip(-MOST, MOST)) for k, v in ends.items()})
    return found[COLUMNS]
