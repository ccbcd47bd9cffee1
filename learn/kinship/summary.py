"""What one plant tells another of its inks: a few numbers an ink, never a print."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating]

FORM = 1  # of what travels


class InkSummary(NamedTuple):
    """What is known of one ink: J latents (`learn.fit.ink_latents`)."""

    prints: int
    mean: Array  # (J,)
    covariance: Array  # (J, J)
    prior: Array  # (J,) variance before any print; inf for what drawdowns say

    def said(self, at: list[int]) -> tuple[Array, Array]:
        """Information (j, j) of drawdowns and prints alone about the latents ``at`` (j,), and
        information times these."""
        precision = np.linalg.inv(self.covariance[np.ix_(at, at)])
        told = precision @ self.mean[at]
        information = precision - np.diag(1 / self.prior[at])
        values, vectors = np.linalg.eigh((information + information.T) / 2)
        return (vectors * np.maximum(values, 0.0)) @ vectors.T, told


@dataclass(frozen=True)
class Summary:
    """What one plant tells of its inks."""

    plant: str
    illuminant: str
    observer: str
    latents: tuple[str, ...]
    inks: Mapping[str, InkSummary]

    def renamed(self, own: Mapping[str, str]) -> Summary:
        """With inks called as the plant that is told calls them; others are left out."""
        return replace(self, inks={own[i]: one for i, one in self.inks.items() if i in own})

    def to_state(self) -> tuple[Array, dict[str, Any]]:
        """The numbers of all inks (n, 2 J + J (J + 1) / 2) - means, priors (0 for inf), covariances
        by their lower triangles - and the rest as JSON holds it."""
        n = len(self.latents)
        numbers = np.zeros((len(self.inks), 2 * n + n * (n + 1) // 2))
        for row, one in zip(numbers, self.inks.values(), strict=True):
            row[:n], row[n : 2 * n] = one.mean, np.where(np.isinf(one.prior), 0.0, one.prior)
            row[2 * n :] = one.covariance[np.tril_indices(n)]
        description = {
            "form": FORM,
            "plant": self.plant,
            "illuminant": self.illuminant,
            "observer": self.observer,
            "latents": list(self.latents),
            "prints": [[ink, one.prints] for ink, one in self.inks.items()],
        }
        return numbers, description

    @classmethod
    def from_state(cls, numbers: Array, description: Mapping[str, Any]) -> Summary:
        """What :meth:`to_state` gave.

        Raises
        ------
        ValueError
            when it is of another form, or holds what is no number or does not fit.
        KeyError, TypeError
            when something is missing or not what it should be.
        """
        d = description
        if d["form"] != FORM:
            msg = f"the summary is of form {d['form']}, this program reads form {FORM}"
            raise ValueError(msg)
        names, prints = tuple(str(name) for name in d["latents"]), d["prints"]
        n, lower = len(names), np.tril_indices(len(names))
        if numbers.shape != (len(prints), 2 * n + len(lower[0])):
            msg = "the numbers of inks do not fit their latents"
            raise ValueError(msg)
        mean, prior = numbers[:, :n], numbers[:, n : 2 * n]
        covariance = np.zeros((len(prints), n, n))
        covariance[:, lower[0], lower[1]] = covariance[:, lower[1], lower[0]] = numbers[:, 2 * n :]
        if not (np.isfinite(numbers).all() and (prior >= 0).all()):
            msg = "an ink holds what is no number"
            raise ValueError(msg)
        np.linalg.cholesky(covariance)  # raises LinAlgError, a ValueError, where it is none
        priors = np.where(prior > 0, prior, np.inf)
        inks = {
            str(ink): InkSummary(int(k), mean[i], covariance[i], priors[i])
            for i, (ink, k) in enumerate(prints)
        }
        plant, illuminant, observer = (str(d[k]) for k in ("plant", "illuminant", "observer"))
        return cls(plant, illuminant, observer, names, inks)
