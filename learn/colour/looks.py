"""How one colour looks beside another."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from learn.normal import Z90

NOTICED = 0.7  # units of L, chroma or hue difference worth a word; common practice, no source
# Of L from black to white; prints get about as green and red, as blue and yellow (common
# practice, no source).
WIDEST = 100.0


def as_good_as_unknown(sd: ArrayLike) -> bool:
    """Whether nothing can be said of a colour with standard deviations ``sd`` (3,): its 90 % band
    is wider, in L, a or b, than prints differ.

    Examples
    --------
    >>> as_good_as_unknown([7.0, 9.0, 8.0]), as_good_as_unknown([7.0, 31.0, 8.0])
    (False, True)
    """
    return bool(2 * Z90 * np.max(sd) > WIDEST)


def looks_beside(lab: ArrayLike, other: ArrayLike) -> tuple[str, ...]:
    """How ``lab`` (3,) looks beside ``other`` (3,): lightness, chroma, hue, where one notices.

    Examples
    --------
    >>> looks_beside([40, 50, 30], [45, 60, 30])
    ('darker', 'duller', 'yellower')
    >>> looks_beside([45, 60, 30], [45, 60.2, 30])
    ()
    """
    lab, other = np.asarray(lab, float), np.asarray(other, float)
    words = []
    dL = lab[0] - other[0]
    if abs(dL) > NOTICED:
        words.append("lighter" if dL > 0 else "darker")
    chroma, aimed = np.hypot(*lab[1:]), np.hypot(*other[1:])
    if abs(chroma - aimed) > NOTICED:
        words.append("more vivid" if chroma > aimed else "duller")
    # what is left of the difference once both have the same chroma is hue
    turned = lab[1:] * (aimed / max(chroma, 1e-9)) - other[1:]
    if np.hypot(*turned) > NOTICED and min(chroma, aimed) > 2:
        axis = int(np.abs(turned[1]) > np.abs(turned[0]))
        words.append((("greener", "redder"), ("bluer", "yellower"))[axis][int(turned[axis] > 0)])
    return tuple(words)
