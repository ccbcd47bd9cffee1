"""What other plants of the group have told a model of its inks (`learn.predict.telling`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from learn.fit.ink_latents import ToldInk
from learn.kinship.summary import Summary

Array = NDArray[np.floating]


class Heard(NamedTuple):
    """How far one plant was followed."""

    plant: str
    shared: int  # inks both have printed, on which that was decided
    widening: float  # of what it says, as a multiple of how far an ink may differ; inf: not at all
    gain: float  # error of those inks with it over that without it
    others: tuple[str, ...]  # inks of one name that must be other inks


@dataclass(frozen=True)
class Sisters:
    """What was told, and how an ink never printed here is predicted by it.

    ``summaries``: as it was told, for a model that is learnt anew.
    """

    inks: tuple[ToldInk, ...] = ()
    share: float = 1.0  # as `learn.predict.carrying.Carrying.share`, of inks that were told of
    heard: tuple[Heard, ...] = ()
    summaries: tuple[Summary, ...] = ()

    def of(self, ink: str) -> tuple[tuple[str, int], ...]:
        """The plants that told of an ink, and how many prints of it each has; none if none did."""
        return next((one.plants for one in self.inks if one.ink == ink), ())

    def to_state(self) -> tuple[dict[str, Array], dict[str, Any]]:
        """Arrays, and the rest as JSON holds it."""
        told = [one.to_state() for one in self.summaries]
        description = {
            "inks": [
                [one.ink, list(map(list, one.plants)), one.information.tolist(), one.told.tolist()]
                for one in self.inks
            ],
            "share": self.share,
            "heard": [
                [h.plant, h.shared, _or_none(h.widening), h.gain, list(h.others)]
                for h in self.heard
            ],
            "summaries": [rest for _, rest in told],
        }
        return {f"told_{i}": numbers for i, (numbers, _) in enumerate(told)}, description

    @classmethod
    def from_state(cls, arrays: Mapping[str, Array], state: Mapping[str, Any]) -> Sisters:
        """What :meth:`to_state` gave; raises as :meth:`Summary.from_state`."""
        inks = tuple(
            ToldInk(
                ink,
                tuple((str(plant), int(n)) for plant, n in plants),
                np.array(information, float),
                np.array(told, float),
            )
            for ink, plants, information, told in state["inks"]
        )
        heard = tuple(
            Heard(plant, shared, np.inf if widening is None else widening, gain, tuple(others))
            for plant, shared, widening, gain, others in state["heard"]
        )
        summaries = tuple(
            Summary.from_state(arrays[f"told_{i}"], rest)
            for i, rest in enumerate(state["summaries"])
        )
        return cls(inks, float(state["share"]), heard, summaries)


def _or_none(value: float) -> float | None:
    return None if np.isinf(value) else value
