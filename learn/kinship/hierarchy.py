"""An ink is common to plants, and each plant has it a little otherwise.

Latents of an ink at plant s: what is common, plus what the plant has of its own (of every ink
another), plus what it has of all its inks - its instrument, its film. All is normal, so what others
say of an ink is one normal message to the plant that is told:

    x_s = c + b_s + o_s,   o_s ~ N(0, apart_s),   x = c + o,   o ~ N(0, apart)

The differences ``b_s`` are learnt from the inks both plants know, by their drawdowns and prints,
the ink itself left out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.fit.ink_latents import widened

Array = NDArray[np.floating]


class Said(NamedTuple):
    """What a plant's own drawdowns and prints say of an ink."""

    information: Array  # (J, J)
    told: Array  # (J,) information times the latents


class Believed(NamedTuple):
    """What the plant that is told believes of an ink."""

    mean: Array  # (J,)
    covariance: Array  # (J, J)


class Between(NamedTuple):
    """What one plant has otherwise in all inks, ink by ink as the others tell it."""

    precision: Array  # (J, J) of all inks
    told: Array  # (J,)
    by_ink: Mapping[str, Said]  # what each of them contributed

    def without(self, ink: str) -> Believed:
        """Mean and covariance of the difference, ``ink`` left out."""
        own = self.by_ink.get(ink)
        precision, told = self.precision, self.told
        if own is not None:
            precision, told = precision - own.information, told - own.told
        covariance = np.linalg.inv(precision)
        return Believed(covariance @ told, (covariance + covariance.T) / 2)


def between(
    said: Mapping[str, Said],
    believed: Mapping[str, Believed],
    apart: Mapping[str, Array],
    prior: Array,
) -> Between:
    """How one plant differs from the one that is told, from the inks both know.

    ``apart``: variance (J, J) of what the two have otherwise of each ink; ``prior``: (J,) of the
    difference that all inks have in common, before any is compared.
    """
    precision, told, by_ink = np.diag(1 / prior), np.zeros(len(prior)), {}
    for ink, own in believed.items():
        if ink in said:
            there = widened(*said[ink], apart[ink])
            off = there[1] - there[0] @ own.mean
            by_ink[ink] = found = Said(*widened(there[0], off, own.covariance))
            precision, told = precision + found.information, told + found.told
    return Between(precision, told, by_ink)


def message(sayings: Sequence[tuple[Said, Believed, Array]], apart: Array) -> Said:
    """What others say of an ink together, as the plant that is told has it.

    ``sayings``: of each, what it says, by how much it differs in all inks, and the variance (J, J)
    of what it has otherwise of this one; ``apart`` (J, J): the same of the plant that is told.
    """
    n = len(apart)
    information, told = np.zeros((n, n)), np.zeros(n)
    for said, differs, own in sayings:
        moved = said.told - said.information @ differs.mean
        found = widened(said.information, moved, own + differs.covariance)
        information, told = information + found[0], told + found[1]
    return Said(*widened(information, told, apart))


def joined(mean: Array, covariance: Array, at: slice, said: Said) -> tuple[Array, Array]:
    """A normal belief with ``said`` of the latents that stand at ``at``."""
    beside = covariance[:, at]
    n = len(said.told)
    gain = beside @ np.linalg.inv(np.eye(n) + said.information @ beside[at])
    mean = mean + gain @ (said.told - said.information @ mean[at])
    covariance = covariance - gain @ said.information @ beside.T
    return mean, (covariance + covariance.T) / 2


def disagreement(said: Said, believed: Believed) -> tuple[float, int]:
    """Squared standardised distance of what is said from what is believed, and of how many."""
    off = said.told - said.information @ believed.mean
    spread = said.information + said.information @ believed.covariance @ said.information
    values, vectors = np.linalg.eigh((spread + spread.T) / 2)
    told = values > 1e-9 * max(values[-1], 1e-300)
    along = vectors[:, told].T @ off
    return float((along**2 / values[told]).sum()), int(told.sum())
