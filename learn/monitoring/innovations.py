"""Every print as forecast from all earlier ones: what the film was off by, in time order.

The forecast is that of a shop that stands still: the terms that would follow a drifting press
or a new ink lot are switched off, so that such a change shows in the errors instead of being
learnt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from learn.errors import Unusable
from learn.fit.residual import TERMS
from learn.gp.design_matrix import groups_of
from learn.gp.posterior import one_thread
from learn.monitoring.cusum import CLIP
from learn.shop import jobs_of

if TYPE_CHECKING:
    from learn.predict.protocol import RecallingModel

Array = NDArray[np.floating]

# Terms that would take a change over time for granted.
MOVING = tuple(t.name for t in TERMS if t.levels == "lot" or {"day", "day_of_era"} & set(t.smooth))
LATEST = 900  # prints forecast one by one; older ones are learnt from as a whole


@dataclass(frozen=True)
class Stream:
    """n prints in time order; ``frame`` has their film errors, the rest is what made them.

    ``root`` (3n, 3n) of the covariance of the errors, ``white`` (3n,) the standardised forecast
    errors of L, a, b, ``along`` (n, 3) Lab a unit of log film, ``unit`` (n, 3) the standardised
    errors that a unit of log film of the whole job adds to those of the job's earlier prints.
    """

    frame: pd.DataFrame
    root: Array
    white: Array
    along: Array
    unit: Array

    def respond(self, shift: Array) -> Array:
        """Standardised errors (3n, m) that shifts of log film (n, m) would make.

        Less than the shift itself: forecasts get used to it.
        """
        lab = self.along[:, :, None] * shift[:, None, :]
        lab = lab.reshape(self.white.size, shift.shape[1])
        return solve_triangular(self.root, lab, lower=True, check_finite=False)

    def film_error(self, white: Array) -> tuple[Array, Array]:
        """Error of log film (n,) by standardised errors (3n,), and its standard deviation.

        Errors of different prints are independent. Within a job each print tells what it adds
        to those before it about a shift of the whole job.
        """
        told = np.maximum((self.unit**2).sum(axis=1), 1e-12)
        return (self.unit * white.reshape(-1, 3)).sum(axis=1) / told, told**-0.5


@one_thread
def one_step_ahead(model: RecallingModel, prints: pd.DataFrame, lab: Array) -> Stream:
    """Forecast dated prints job by job; undated ones are learnt from first.

    ``prints`` as in the shop's table, ``lab`` (n, 3) as measured. Columns of the frame: date,
    press, lot, mesh, blade, film_error (log film, measured minus forecast), film_sd.

    Raises
    ------
    Unusable
        when no print has a date.
    """
    date = pd.to_datetime(prints["printed_on"])
    if not date.notna().any():
        msg = "no print has a date"
        raise Unusable(msg)
    # a job stays together, at its first day
    start = date.groupby(prints["job_id"]).transform("min").fillna(date)
    order = np.lexsort([np.arange(len(prints)), pd.factorize(prints["job_id"])[0], start])
    order = order[np.argsort(start.notna().to_numpy()[order], kind="stable")]
    n_dated = int(start.notna().sum())
    first = max(len(prints) - n_dated, len(prints) - LATEST)
    prints = prints.assign(printed_on=date.fillna(start)).iloc[order].reset_index(drop=True)
    lab = lab[order]
    X, root, white, along = model.in_order(prints, lab, first, MOVING)
    frame = _named(X, prints).iloc[first:].reset_index(drop=True)
    unit = _within(pd.factorize(jobs_of(X["job"])[first:])[0], root, along)
    stream = Stream(frame, root, white, along, unit)
    # forecasts a little surer than they should be must not raise alarms
    error, sd = stream.film_error(white)
    z = np.clip(error / sd, -CLIP, CLIP)
    wide = max(1.0, float(np.sqrt(np.mean(z**2))))
    root *= wide
    stream = replace(stream, white=white / wide, unit=unit / wide)
    error, sd = stream.film_error(stream.white)
    return replace(stream, frame=frame.assign(film_error=error, film_sd=sd))


def _within(job: NDArray[np.intp], root: Array, along: Array) -> Array:
    """L_j^-1 applied to ``along`` (n, 3), for the blocks L_j of ``root`` within a job."""
    unit, groups = np.empty_like(along), groups_of(job)
    for k in {len(rows) for rows in groups}:  # jobs of one size together
        at = np.array([rows for rows in groups if len(rows) == k])
        channels = (3 * at[:, :, None] + np.arange(3)).reshape(-1, 3 * k)
        blocks = root[channels[:, :, None], channels[:, None, :]]
        unit[at] = np.linalg.solve(blocks, along[at].reshape(-1, 3 * k, 1)).reshape(-1, k, 3)
    return unit


def _named(X: pd.DataFrame, prints: pd.DataFrame) -> pd.DataFrame:
    shore = prints["squeegee_shore_a"].astype(float).round()
    return pd.DataFrame(
        {
            "date": pd.to_datetime(prints["printed_on"]),
            "press": X["era"].str.replace("\x1f", " since its change of ", regex=False),
            "lot": X["lot"].str.replace("\x1f", ", lot ", regex=False),
            "mesh": prints["mesh_id"],
            "blade": shore.map("{:.0f} Shore A".format).where(shore.notna(), None),
        }
    )
