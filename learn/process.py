"""The process variables: every number of a print that is learnt from, one row each.

A `Setting` is written beside each print in a column of its own name. Its row here takes it
from the tables and the command line through the learner to the words on a screen; only where
the physics uses it, `learn.fit.encoding.Encoder.layers` hands it on in one line more. The other
numbers are worked out from mesh, strokes and date by `learn.fit.encoding.Encoder.process`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number the learner looks at, counted in usual steps of a shop.

    Attributes
    ----------
    name : column among the encoded features
    step : a usual step in a shop, in the unit of the number: a length scale of 1 means this much
    word : its name on the press floor; None where nobody is told that it is new
    slack : steps beyond all past prints before it counts as outside of them
    ends : whether prints at its low and high end stand for "outside the history"
    """

    name: str
    step: float = 1.0
    word: str | None = None
    slack: float = 0.5
    ends: bool = False


class Effect(NamedTuple):
    """What a setting may do to a latent of `learn.physics.print_model.LATENTS`.

    ``line`` and ``curve`` are prior medians, in the latent's own measure, of the standard
    deviation along a straight line, a usual step's worth, and of a curve about it; ``slope`` is
    what that line is expected to be before any print.
    """

    latent: str = "film"
    line: float = 0.03
    curve: float = 0.02
    slope: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Setting(Number):
    """A number set at the press or on the screen; ``name`` is its column in the tables too.

    Attributes
    ----------
    label : what stands before its value in the words of a set-up
    unit : what stands behind it
    usual : what is taken where no print says
    low, high : what a cell may hold
    option : gives it on the command line
    place : where it is set, and so where a set-up tells of it
    effects : how it may act
    """

    word: str
    label: str
    unit: str
    usual: float
    low: float
    high: float
    option: str
    ends: bool = True
    place: Literal["press", "screen"] = "press"
    effects: tuple[Effect, ...] = (Effect(),)


# Share of the film a usual step is worth, where all agree which way: a softer blade and one that
# leans more lay more (a trade article of 2021; a how-to, sources differ), one farther off less
# (common practice, no source). Little: a doctoral study (British Library EThOS
# uk.bl.ethos.422613) found films fairly insensitive to most settings of the press.
TREND = 0.02

# Usual settings and steps, limits and effects: common practice, no source.
SETTINGS = [
    Setting(
        name="squeegee_shore_a",
        label="squeegee",
        word="squeegee durometer",
        unit="Shore A",
        usual=70.0,
        step=5.0,
        low=20,
        high=100,
        option="--squeegee",
        effects=(Effect(slope=-TREND),),
    ),
    Setting(
        name="squeegee_angle_deg",
        label="angle",
        word="squeegee angle",
        unit="deg from vertical",
        usual=15.0,
        step=5.0,
        low=0,
        high=90,
        option="--angle",
        effects=(Effect(slope=TREND),),
    ),
    Setting(
        name="off_contact_mm",
        label="off-contact",
        word="off-contact",
        unit="mm",
        usual=2.5,
        low=0,
        high=30,
        option="--off-contact",
        effects=(Effect(slope=-TREND),),
    ),
    Setting(
        name="eom_um",
        label="stencil",
        word="stencil thickness",
        unit="um over mesh",
        usual=10.0,
        step=5.0,
        low=0,
        high=1000,
        option="--eom",
        place="screen",
    ),
]
SETTING_COLUMNS = [setting.name for setting in SETTINGS]
AT_PRESS = {setting.name for setting in SETTINGS if setting.place == "press"}

NUMBERS: list[Number] = [
    Number(name="log_volume", step=0.4, word="mesh ink volume", slack=0.15, ends=True),
    Number(name="strokes", word="number of strokes"),
    Number(name="wet_strokes"),
    Number(name="flashes", word="number of flashes"),
    Number(name="log_base_volume", step=0.4),
    Number(name="base_strokes"),
    *SETTINGS,
    Number(name="day", step=60.0),
    Number(name="day_of_era", step=60.0),  # since the press was last changed
]
