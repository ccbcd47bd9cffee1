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

    def to_state(self) -> dict[str, Any]:
        """As JSON holds it."""
        inks = {
            ink: {
                "prints": one.prints,
                "mean": one.mean.tolist(),
                "covariance": one.covariance[np.tril_indices(len(one.mean))].tolist(),
                "prior": [None if np.isinf(v) else v for v in one.prior.tolist()],
            }
            for ink, one in self.inks.items()
        }
        return {
            "form": FORM,
            "plant": self.plant,
            "illuminant": self.illuminant,
            "observer": self.observer,
            "latents": list(self.latents),
            "inks": inks,
        }

    @classmethod
    def from_state(cls, state: Mapping[str, Any]) -> Summary:
        """What :meth:`to_state` gave.

        Raises
        ------
        ValueError
            when it is of another form, or holds what is no number or does not fit.
        KeyError, TypeError
            when something is missing or not what it should be.
        """
        if state["form"] != FORM:
            msg = f"the summary is of form {state['form']}, this program reads form {FORM}"
            raise ValueError(msg)
        names = tuple(str(name) for name in state["latents"])
        inks = {str(i): _ink(one, len(names)) for i, one in state["inks"].items()}
        plant, illuminant, observer = (str(state[k]) for k in ("plant", "illuminant", "observer"))
        return cls(plant, illuminant, observer, names, inks)


def _ink(state: Mapping[str, Any], n: int) -> InkSummary:
    prior = np.array([np.inf if v is None else v for v in state["prior"]], float)
    mean = np.array(state["mean"], float)
    covariance = np.zeros((n, n))
    covariance[np.tril_indices(n)] = np.array(state["covariance"], float)
    covariance = covariance + np.tril(covariance, -1).T
    if mean.shape != (n,) or prior.shape != (n,) or not (prior > 0).all():
        msg = "the numbers of an ink do not fit its latents"
        raise ValueError(msg)
    if not (np.isfinite(mean).all() and np.isfinite(covariance).all()):
        msg = "an ink holds what is no number"
        raise ValueError(msg)
    if np.linalg.eigvalsh(covariance)[0] <= 0:
        msg = "an ink's covariance is none"
        raise ValueError(msg)
    return InkSummary(int(state["prints"]), mean, covariance, prior)
