"""A plant is told what others know of its inks, as far as that forecasts its own.

Each plant is followed as far as forecasts best the inks that both have printed, each left out of
the own history in turn: what it says is widened by a multiple of how far an ink may differ
from plant to plant, or not heard at all. It must be better by more than chance: of few inks nothing
is concluded. Then all that are followed are heard together, and once more held against nothing.
"""

from __future__ import annotations

import copy
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import stdtrit

from learn.fit import update
from learn.fit.ink_latents import (
    ToldInk,
    columns_of,
    latents_of,
    names_of,
    widened,
    with_told,
)
from learn.gp.posterior import one_thread
from learn.kinship.hierarchy import (
    Believed,
    Between,
    Said,
    between,
    disagreement,
    joined,
    message,
)
from learn.kinship.summary import InkSummary, Summary
from learn.predict import dispersion
from learn.predict.calibration import without_own_job
from learn.predict.dispersion import Errors
from learn.predict.left_inks import Forecasts, Ground, forecasts, ground_of
from learn.predict.novelty import TOLD_INK
from learn.predict.sisters import Heard, Sisters

if TYPE_CHECKING:
    from learn.predict.model import ShiftModel

Array = NDArray[np.floating]

# How far a plant's drawdowns of an ink lie from another's: log film, log strength of the lot, Lab;
# and by how much its instrument differs. Common practice, no source.
CARDS_FILM_SD, CARDS_STRENGTH_SD, CARDS_LAB_SD = 0.02, 0.02, 0.2
INSTRUMENT_SD = 0.4
# What an ink has of its own at a plant, as a multiple of all it may have there.
WIDENINGS = (0.1, 0.3, 1.0, 3.0)
# The share of such comparisons that shows a gain by chance alone.
CHANCE = 0.2
FEWEST = 3  # shared inks, with which anything can be told
STEPS = 4  # of Gauss-Newton, where what is said is far from what was believed
OTHER_INK = 100.0  # mean squared standardised difference of what can be no ink of one name


class Voice(NamedTuple):
    """One plant, as the one that is told hears it."""

    plant: str
    said: Mapping[str, Said]
    prints: Mapping[str, int]
    strange: Mapping[str, float]  # by how much more it differs of an ink than is usual


class Follow(NamedTuple):
    """A plant that is heard, and what it says widened by a multiple of `Listener.apart`."""

    voice: Voice
    widening: float


class Listener(NamedTuple):
    """The plant that is told."""

    believed: Mapping[str, Believed]  # of every ink on its shelf
    cards: Mapping[str, Array]  # (J, J) variance of what drawdowns of an ink at a plant are off
    prints: Array  # (J,) variance of what prints of an ink may have of their own at a plant
    differ: Array  # (J,) variance of what all inks of a plant have


class Told(NamedTuple):
    """What is said of every ink, and how it forecast those that were left out."""

    messages: Mapping[str, Said]
    gain: Array  # (inks,) log of the error with it over that without
    found: Forecasts | None


@one_thread
def told(model: ShiftModel, summaries: Collection[Summary]) -> ShiftModel:
    """A model that knows what ``summaries`` tell of its inks.

    It has its history at hand (:meth:`learn.predict.model.ShiftModel.recall`); what it was told
    before is forgotten. Summaries of another illuminant or observer are not heard.
    """
    model = without_sisters(model)
    alike = [s for s in summaries if _same_viewing(model, s)]
    names = names_of(model.layout_)
    at = [j for j, name in enumerate(names) if all(name in s.latents for s in alike)]
    voices = [_voice(s, [names[j] for j in at], model.layout_.shelf.ink_ids) for s in alike]
    inks = sorted({ink for v in voices for ink in v.said})
    own = [ink for ink in inks if model.prints_of(ink)]
    if len(own) < FEWEST:
        return model
    listener = _listener(model, at, inks)
    weighed = [_weighed(voice, listener) for voice in voices]
    ground = ground_of(model, model.posterior_, own, at)
    heard: list[Heard] = []
    followed: list[Follow] = []
    for voice, others in weighed:
        ways = {k: _heard(ground, listener, [Follow(voice, k)]) for k in WIDENINGS}
        worth = {k: _at_worst(way.gain) for k, way in ways.items()}
        best = min(worth, key=lambda k: worth[k])
        widening = best if worth[best] < 0 else np.inf
        gain = float(np.exp(ways[best].gain.mean())) if len(ways[best].gain) else 1.0
        heard.append(Heard(voice.plant, len(ways[best].gain), widening, gain, others))
        if worth[best] < 0:
            followed.append(Follow(voice, best))
    sisters = Sisters(heard=tuple(heard), summaries=tuple(alike))
    if not followed:
        return _with(model, sisters, [])
    together = _heard(ground, listener, followed)
    if _at_worst(together.gain) >= 0:
        return _with(model, sisters, [])
    return _taught(model, at, together, followed, sisters)


def summary_of(model: ShiftModel, plant: str) -> Summary:
    """What the prints of a plant say of every ink it has printed; what other plants told it is
    not passed on."""
    layout, hyper = model.layout_, model.hyper_
    post = with_told(model.posterior_, layout, model.sisters_.inks, taken_back=True)
    inks = {}
    for ink in layout.shelf.ink_ids:
        prints = model.prints_of(ink)
        if prints:
            latents = latents_of(layout, hyper, ink, post.mean)
            inks[ink] = InkSummary(prints, *latents.believed(post), latents.prior)
    settings = model.settings_
    return Summary(plant, settings.illuminant, settings.observer, names_of(layout), inks)


def without_sisters(model: ShiftModel) -> ShiftModel:
    """The model as it was before it was told anything."""
    model = copy.copy(model)
    was, layout = model.posterior_, model.layout_
    model.posterior_ = with_told(was, layout, model.sisters_.inks, taken_back=True)
    if model.sisters_.inks:
        model.weights_ = model.weights_ + model.posterior_.mean - was.mean
    return _with(model, Sisters(), [])


def _same_viewing(model: ShiftModel, summary: Summary) -> bool:
    settings = model.settings_
    return (summary.illuminant, summary.observer) == (settings.illuminant, settings.observer)


def _voice(summary: Summary, names: Sequence[str], inks: Collection[str]) -> Voice:
    at = [summary.latents.index(name) for name in names]
    told = {ink: one for ink, one in summary.inks.items() if ink in inks}
    said = {ink: Said(*one.said(at)) for ink, one in told.items()}
    return Voice(summary.plant, said, {ink: one.prints for ink, one in told.items()}, {})


def _listener(model: ShiftModel, at: list[int], inks: Sequence[str]) -> Listener:
    layout, hyper, post = model.layout_, model.hyper_, model.posterior_
    latents = {ink: latents_of(layout, hyper, ink, post.mean) for ink in inks}
    usual = np.median([one.prior[at] for one in latents.values()], axis=0)
    of_cards = np.isinf(usual)
    own = np.diag(np.where(of_cards, CARDS_LAB_SD**2, 0.0))
    believed, cards = {}, {}
    for ink, one in latents.items():
        mean, covariance = one.believed(post)
        believed[ink] = Believed(mean[at], covariance[np.ix_(at, at)])
        film, strength = CARDS_FILM_SD * one.by_film[at], CARDS_STRENGTH_SD * one.by_strength[at]
        cards[ink] = own + np.outer(film, film) + np.outer(strength, strength)
    return Listener(
        believed,
        cards,
        np.where(of_cards, 0.0, usual),
        np.where(of_cards, INSTRUMENT_SD**2, usual),
    )


def _apart(voice: Voice, listener: Listener, ink: str, widening: float) -> Array:
    """Variance (J, J) of what each of the two has of its own of an ink."""
    usual = listener.cards[ink] + widening * np.diag(listener.prints)
    return voice.strange.get(ink, 1.0) * usual


def _differs(voice: Voice, listener: Listener, widening: float) -> Between:
    apart = {ink: 2 * _apart(voice, listener, ink, widening) for ink in voice.said}
    return between(voice.said, listener.believed, apart, listener.differ)


def _weighed(voice: Voice, listener: Listener) -> tuple[Voice, tuple[str, ...]]:
    """A voice that counts for less where it does not fit what is believed here - drawn down from
    an odd lot, or by far another film - and for nothing where it must mean another ink; and
    these inks."""
    differs, others, strange = _differs(voice, listener, 1.0), [], {}
    for ink, said in voice.said.items():
        apart = _apart(voice, listener, ink, 1.0)
        one = message([(said, differs.without(ink), apart)], apart)
        squared, n = disagreement(one, listener.believed[ink])
        strange[ink] = max(1.0, squared / n)
        if strange[ink] > OTHER_INK:
            others.append(ink)
    left = {ink: said for ink, said in voice.said.items() if ink not in others}
    return voice._replace(said=left, strange=strange), tuple(others)


def _heard(ground: Ground, listener: Listener, follows: Sequence[Follow]) -> Told:
    """Some voices together, each widened by so much."""
    least = min(k for _, k in follows)
    differ = [_differs(v, listener, k) for v, k in follows]
    messages = {}
    for ink in listener.believed:
        sayings = [
            (v.said[ink], off.without(ink), _apart(v, listener, ink, k))
            for (v, k), off in zip(follows, differ, strict=True)
            if ink in v.said
        ]
        if sayings:
            own = listener.cards[ink] + least * np.diag(listener.prints)
            messages[ink] = message(sayings, own)
    printed = {ink: said for ink, said in messages.items() if ink in ground.left}
    if len(printed) < FEWEST:
        return Told(messages, np.zeros(0), None)
    found = forecasts(ground, printed)
    before = forecasts(ground, dict.fromkeys(printed))
    return Told(messages, found.loss - before.loss, found)


def _at_worst(gain: Array) -> float:
    """The mean gain (a loss where positive) that is not missed but by chance."""
    n = len(gain)
    if n < FEWEST:
        return 0.0
    off = stdtrit(n - 1, 1 - CHANCE) * gain.std(ddof=1) / np.sqrt(n)
    return float(gain.mean() + off)


def _taught(
    model: ShiftModel, at: list[int], told: Told, followed: list[Follow], sisters: Sisters
) -> ShiftModel:
    """The model with all that is said of its inks, beside what ``sisters`` says already."""
    assert told.found is not None
    factor = _factor(model, told.found)
    state = update.Grown(model.layout_, model.hyper_, model.weights_, model.posterior_)
    inks = pd.DataFrame({"ink": list(told.messages)})
    state = update.with_room(state, model.layout_.shelf, inks)
    model.layout_, model.hyper_, model.weights_, model.posterior_ = state
    taught = [
        ToldInk(
            ink,
            tuple((v.plant, v.prints[ink]) for v, _ in followed if ink in v.said),
            *_by_weights(model, ink, at, said),
        )
        for ink, said in told.messages.items()
    ]
    before = model.posterior_.mean
    model.posterior_ = with_told(model.posterior_, model.layout_, taught)
    model.weights_ = model.weights_ + model.posterior_.mean - before
    sisters = replace(sisters, inks=tuple(taught), share=told.found.share)
    model = _with(model, sisters, [one.ink for one in taught])
    model.spread_factors_ = {**model.spread_factors_, TOLD_INK: factor}
    kept = model.prints_[model.keep_].reset_index(drop=True)
    linear, design = model.linearised(kept, model.lab_[model.keep_])
    model.design_ = replace(design, noise_scale=model.design_.noise_scale)
    model.rows_ = linear.rows
    return model


def _by_weights(model: ShiftModel, ink: str, at: list[int], said: Said) -> Said:
    """What is said of the latents ``at`` of an ink, of its weights; where tangents are taken
    follows what is said."""
    layout, w = model.layout_, model.posterior_.mean.copy()
    columns = columns_of(layout, ink)
    own = Believed(w[columns], model.posterior_.covariance_of(columns))
    for _ in range(STEPS):
        one = latents_of(layout, model.hyper_, ink, w)
        onto = one.onto[at]
        information, told = widened(*said, np.diag(one.beside[at]))
        found = Said(onto.T @ information @ onto, onto.T @ (told - information @ one.origin[at]))
        w[columns] = joined(*own, slice(0, len(columns)), found)[0]
    return found


def _with(model: ShiftModel, sisters: Sisters, inks: Collection[str]) -> ShiftModel:
    model.sisters_ = sisters
    model.likeness_ = replace(model.likeness_, told=frozenset(inks))
    return model


def _factor(model: ShiftModel, found: Forecasts) -> float:
    """On the bands of an ink that was told of and never printed here."""
    job = without_own_job(model)
    about = found.left.group >= 0
    seen = {
        "job": Errors(job.z, job.group),
        TOLD_INK: Errors(found.left.z[about], found.left.group[about]),
    }
    return dispersion.factors(seen, [TOLD_INK])[TOLD_INK]
