"""What has drifted: charts of film errors by press, ink lot, mesh, blade and the whole shop.

Each level has a two-sided CUSUM of the log likelihood ratio of a film shift of `SHIFT` (Page
1954), so that a print that says little about its film counts little. Thresholds come from
Siegmund's approximation of the average run length; see :func:`threshold`. How much and since
when is a posterior over steps and ramps that may have begun on any day; whether it still lasts,
its Bayes factor against shifts that have ended.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.floating]

KINDS = ("press", "lot", "mesh", "blade", "shop")
SHIFT = 0.05  # of log film: worth finding, hardly visible on one print
FALSE_ALARMS = 0.2  # per 1,000 prints, over all charts together
CLIP = 3.0  # standard deviations; one bad print must not raise an alarm
OVERSHOOT = 1.166  # Siegmund 1985, Sequential Analysis, eq. 2.57 (from memory): 2 x 0.583
PRIOR_SD = 0.10  # of a drift, log film
STARTS = 40  # days tried as its beginning
ENDS = 20  # days tried as beginning or end of one that is over
OVER = np.log(10)  # it is over when that is so much likelier
MOST = 8  # changes, told or over
COLUMNS = [
    *("cause", "level", "alarm", "prints", "since", "since_lo", "since_hi"),
    *("percent", "lo", "hi", "false_alarms", "from_first"),
]


class Errors(Protocol):
    """Film errors in time order and how they come about (`learn.monitoring.innovations`)."""

    @property
    def frame(self) -> pd.DataFrame: ...

    @property
    def white(self) -> Array: ...

    def respond(self, shift: Array) -> Array: ...

    def film_error(self, white: Array) -> tuple[Array, Array]: ...


class Independent(NamedTuple):
    """A plain frame of film errors against a fixed reference."""

    frame: pd.DataFrame

    @property
    def white(self) -> Array:
        return (self.frame["film_error"] / self.frame["film_sd"]).to_numpy(float)

    def respond(self, shift: Array) -> Array:
        return shift / self.frame["film_sd"].to_numpy(float)[:, None]

    def film_error(self, white: Array) -> tuple[Array, Array]:
        sd = self.frame["film_sd"].to_numpy(float)
        return white * sd, sd


def threshold(theta: Array, alarms: float) -> float:
    """Height at which two-sided charts over prints together have ``alarms`` false ones.

    ``theta`` (n,) is `SHIFT` in standard deviations of each print. Siegmund's run length of a
    one-sided chart, for high thresholds 2 exp(theta (h + 1.166)) / theta^2 with A = theta h (1985,
    Sequential Analysis; from memory), turned into a rate of alarms a print, 1/2 theta^2
    exp(-A - 1.166 theta) a side, and added up.
    """
    return float(np.log(np.maximum((theta**2 * np.exp(-OVERSHOOT * theta)).sum() / alarms, np.e)))


def cusum(error: Array, sd: Array) -> Array:
    """Chart (n, 2), more and less film: log likelihood ratio of a shift, never below zero."""
    theta = SHIFT / sd
    z = np.clip(error / sd, -CLIP, CLIP)
    step = np.stack([theta * z, -theta * z], axis=1) - 0.5 * theta[:, None] ** 2
    total = np.cumsum(np.vstack([np.zeros(2), step]), axis=0)
    return (total - np.minimum.accumulate(total, axis=0))[1:]


def drifts(errors: Errors | pd.DataFrame, per_1000: float = FALSE_ALARMS) -> pd.DataFrame:
    """What has drifted, the clearest first; each is taken out before the next is looked for.

    What has come back is taken out as well, but not told: its chart is at zero, or a shift that
    ended is likelier than one that lasts. Nor is told what neither explains better than chance.

    ``errors``: a frame in time order with date, film_error (of log film, measured minus
    expected), film_sd and any of press, lot, mesh, blade (None: not known), or what made it.
    ``per_1000``: false alarms that 1,000 prints of a steady shop may raise, all charts together.

    Columns: cause (of KINDS), level, alarm (date), prints (from its likely beginning to the
    alarm), since (median), since_lo, since_hi, percent (film now, against before), lo, hi (90 %
    bands), false_alarms (per 1,000 prints), from_first (whether likely every print of the level was
    off alike, so that nothing has changed within it).
    """
    stream: Errors = Independent(errors) if isinstance(errors, pd.DataFrame) else errors
    frame, white = stream.frame, stream.white
    kinds = {k: frame[k] for k in KINDS if k in frame and frame[k].notna().any()}
    kinds["shop"] = pd.Series("", frame.index)
    each = per_1000 * len(frame) / 1000 / len(kinds)
    found, told, shapes = [], set(), {}
    for _ in range(MOST):
        fits = []
        for alarm in _alarms(*stream.film_error(white), kinds, each):
            if (cause := (alarm.kind, alarm.level)) not in told:
                if cause not in shapes:
                    shapes[cause] = _shapes(stream, alarm.rows)
                fits.append((alarm, _change(shapes[cause], white)))
        fits = [(alarm, change) for alarm, change in fits if change.gain > 0]
        if not fits:
            break
        alarm, change = max(fits, key=lambda pair: pair[1].gain)
        white = white - change.white
        if not change.lasts:  # another of the same level may, once it is out of the way
            continue
        told.add((alarm.kind, alarm.level))
        date = frame["date"].iloc[alarm.rows].reset_index(drop=True)
        found.append(
            {
                "cause": alarm.kind,
                "level": alarm.level,
                "alarm": date[alarm.at],
                "prints": int((date[: alarm.at + 1] >= change.since[1]).sum()),
                **dict(zip(("since_lo", "since", "since_hi"), change.since, strict=True)),
                **dict(zip(("lo", "percent", "hi"), change.percent, strict=True)),
                "false_alarms": per_1000,
                "from_first": change.from_first,
            }
        )
    return pd.DataFrame(found, columns=COLUMNS)


class _Alarm(NamedTuple):
    kind: str
    level: str
    rows: NDArray[np.intp]
    at: int  # position among the rows


def _alarms(
    error: Array, sd: Array, kinds: dict[str, pd.Series], false_alarms: float
) -> list[_Alarm]:
    out = []
    for kind, levels in kinds.items():
        known = np.flatnonzero(levels.notna())
        height = threshold(SHIFT / sd[known], false_alarms)
        code, names = pd.factorize(levels.iloc[known])
        for i, level in enumerate(names):
            rows = known[code == i]
            if (at := first_alarm(cusum(error[rows], sd[rows]), height)) is not None:
                out.append(_Alarm(kind, str(level), rows, at))
    return out


def first_alarm(chart: Array, height: float) -> int | None:
    """When the chart (n, 2) rose over ``height``; None if it never did, or is back at zero."""
    since = np.cumsum(chart[::-1] <= 0, axis=0)[::-1] == 0  # later than its last zero
    over = (since & (chart > height)).any(axis=1)
    return int(over.argmax()) if over.any() else None


class _Shapes(NamedTuple):
    """Ways the film of a level may have changed, and the errors (3n, m) they would make.

    It lasts as a step or a ramp, begun on any of its days; or it is over: up and down again.
    """

    starts: Array
    lasting: Array  # steps, then ramps, by start
    over: Array


def _shapes(errors: Errors, rows: NDArray[np.intp]) -> _Shapes:
    day = errors.frame["date"].to_numpy("datetime64[D]").astype(float)[rows, None]
    days = np.unique(day)

    def spread(n: int) -> Array:
        return days[np.unique(np.linspace(0, len(days) - 1, n).round().astype(int))]

    def response(film: Array) -> Array:
        shift = np.zeros((len(errors.frame), film.shape[1]))
        shift[rows] = film
        return errors.respond(shift)

    starts, ends = spread(STARTS), spread(ENDS)[:-1]
    later = (day >= starts).astype(float)
    ramp = later * (day - starts) / np.maximum(days[-1] - starts, 1.0)
    begin, end = np.triu_indices(len(ends), 1)
    over = ((day >= ends[begin]) & (day < ends[end])).astype(float)
    return _Shapes(starts, response(np.hstack([later, ramp])), response(over))


class _Explained(NamedTuple):
    gain: float  # log Bayes factor of some shapes, alike likely before, against no change
    weight: Array  # (m,) posterior of the shapes
    mean: Array  # (m,) log film of each
    sd: Array
    white: Array  # (3n,) what they explain of the standardised errors


def _explained(response: Array, white: Array) -> _Explained:
    told = (response**2).sum(axis=0) + PRIOR_SD**-2
    score = response.T @ white
    mean, sd = score / told, told**-0.5
    log_odds = 0.5 * score**2 / told - 0.5 * np.log(told * PRIOR_SD**2)
    total = np.logaddexp.reduce(log_odds)
    weight = np.exp(log_odds - total)
    gain = float(total - np.log(max(len(weight), 1)))
    return _Explained(gain, weight, mean, sd, response @ (weight * mean))


class _Change(NamedTuple):
    gain: float  # log Bayes factor against no change
    lasts: bool
    from_first: bool  # if it lasts: likelier than not a step on the first day
    since: tuple[pd.Timestamp, pd.Timestamp, pd.Timestamp]  # 5, 50, 95 %, if it lasts
    percent: tuple[float, float, float]
    white: Array  # what it explains of the standardised errors


def _change(shapes: _Shapes, white: Array) -> _Change:
    lasting, ended = _explained(shapes.lasting, white), _explained(shapes.over, white)
    lasts = ended.gain - lasting.gain < OVER
    likelier = lasting if lasts else ended
    begun = np.cumsum(lasting.weight.reshape(2, -1).sum(axis=0))
    at = np.searchsorted(begun, (0.05, 0.5, 0.95))
    since = tuple(pd.Timestamp(np.datetime64(int(day), "D")) for day in shapes.starts[at])
    percent = _quantiles(lasting.weight, lasting.mean, lasting.sd)
    from_first = bool(lasting.weight[0] > 0.5)
    return _Change(likelier.gain, lasts, from_first, since, percent, likelier.white)


def _quantiles(weight: Array, mean: Array, sd: Array) -> tuple[float, float, float]:
    """5, 50 and 95 % of a mixture of normals of log film, in percent of film."""
    from scipy.special import ndtr

    grid = np.linspace((mean - 4 * sd).min(), (mean + 4 * sd).max(), 2000)
    below = ndtr((grid[:, None] - mean) / sd) @ weight
    low, middle, high = 100 * np.expm1(np.interp([0.05, 0.5, 0.95], below, grid))
    return float(low), float(middle), float(high)
