"""How sure the colour of inks at full hiding is - in the bucket."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from learn.fit.of_inks import Colours
from learn.normal import sd_of, squared_distance

Array = NDArray[np.floating]

# A bucket that nobody measured lies farther off than what is learnt leaves open: no film of a card
# hides so well. By so many times, by what its cards are (`learn.physics.shelf.Shelf.known_from`).
# Chosen on 25 shops of no part, where 90 % bands of L, a, b held 56 to 74 % where cards lie over
# bright and over dark, 80 to 86 % over white alone, which leaves more open; on 25 others bands held
# 53 to 83 % in all, and so 84 to 97.
BEYOND = {"spectra": 2.2, "Lab": 2.2, "one backing": 1.5}
# Cards that hide say what is in the bucket better than prints do, which lie on cloth: from this sd
# on, of Lab by the cards alone, they do no longer. Their own bands are by so much too narrow, and
# never narrower than the last. On 22 shops of no part buckets were missed by 0.43, 0.26 and 0.81
# dE00 so (60 prints, plastisol, water-based), not 0.55, 0.49 and 0.84, and bands held as much.
HIDING, CARDS_BEYOND, CARDS_LEAST = 0.6, 2.5, 0.3


def as_told(
    learnt: Colours,
    by_cards: Colours,
    known_from: Sequence[str],
    measured: Array,
    repeat: float,
) -> Colours:
    """Lab (m, 3) and covariance (m, 3, 3) of inks in the bucket: as ``measured`` (m, 3) where it
    was, to ``repeat`` dE00; else from those learnt, by what its drawdowns are, and those by the
    cards alone, which count the more, the better these hide and the less the two agree."""
    beyond = np.array([BEYOND.get(one, 1.0) for one in known_from])
    lab, wide = learnt[0], learnt[1] * beyond[:, None, None] ** 2
    cards, of_cards = by_cards
    sd = sd_of(of_cards).max(axis=1)
    less = CARDS_BEYOND**2 * (1 + (sd / HIDING) ** 4)
    of_cards = less[:, None, None] * of_cards + CARDS_LEAST**2 * np.eye(3)
    apart = squared_distance(lab - cards, wide + of_cards) / 3
    wide = wide * np.maximum(1.0, apart)[:, None, None]
    # of both, the share of the cards by how sure each is
    share = wide @ np.linalg.inv(wide + of_cards)
    lab = lab + np.einsum("nij,nj->ni", share, cards - lab)
    both = wide - share @ wide
    was = np.asarray(np.isfinite(measured).all(axis=1))
    return (
        np.where(was[:, None], measured, lab),
        np.where(was[:, None, None], repeat**2 * np.eye(3), (both + both.transpose(0, 2, 1)) / 2),
    )
