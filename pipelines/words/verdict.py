"""Verdict, cause and reason in the words of the press floor. All outputs take them from here.

What is decided comes as data from `learn.predict.causes`; nothing is read back from a sentence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date as Date
from itertools import groupby
from typing import TYPE_CHECKING

from learn.colour.looks import as_good_as_unknown, looks_beside
from learn.predict.causes import Cause, Unseen, Verdict
from learn.process import NUMBERS
from learn.shop import NEW_LOT
from pipelines.words.common import Names, chance, date, listed, named, type_words

if TYPE_CHECKING:
    from learn.mixing.top_up import TopUp

Called = Mapping[str, Names]  # ink, garment, press -> id -> what the shop calls it

# Kind of an answer (`kind`) -> its words, the most pressing first.
HEADLINES = {
    "change": "Change the set-up first",
    "test": "Test print first",
    "no_target": "Predictable, no target",
    "go": "Straight to production",
}
REASONS = {
    Cause.SURE: "{sure}.{new}",
    Cause.NO_TARGET: "Predictable, {but} {bucket}. 19 of 20 such prints fall within "
    "{within:.1f} dE00 of this prediction.{new} Whether that is the right colour takes a target, "
    "or a test print to approve.",
    Cause.UNSURE: "Too unsure: up to {within:.1f} dE00 from {goal}{where} is possible (tolerance "
    "{tolerance:g}); a test print will settle it.",
    Cause.UNSEEN: "{head}: {unseen}. {then}",
    Cause.MISSES: "Misses: predicted {off:.1f} dE00 from the target{where}, tolerance "
    "{tolerance:g}. Change the set-up or the ink: {luck}.{new}",
    Cause.NEAR_LIMIT: "Near the limit: predicted {off:.1f} dE00 from the target{where}, tolerance "
    "{tolerance:g}, and prints of one set-up scatter. Bring the colour closer: a test print alone "
    "will not help.",
    Cause.UNEVEN: "Too uneven: prints of one set-up scatter by about the tolerance. Steady the "
    "press or agree a wider tolerance: a test print will not help.",
}
WITH = {
    "ink": "with ink",
    "garment": "with garment",
    "mesh": "with mesh",
    "base mesh": "with a base through mesh",
    "press": "with press",
    "base": "over base",
}
LATELY = {
    "ink": "the latest prints of ink",
    "garment": "the latest prints on garment",
    "mesh": "the latest prints through mesh",
    "press": "the latest prints on press",
}
LOTS_DIFFER = "how much lots differ is allowed for, and no more"
HARDLY = 0.01  # below it a chance to come within the tolerance is none worth a test print
TELLS = "A test print will tell."
DECIDE = (
    "Look at these first (strikeoff doubts): kept, they count; set aside as wrong, they hold "
    "nothing back."
)
TOO_LITTLE = "Too little is known to say how it will come out"
CLOTH = "no print yet on cloth of a colour like {garment}"
BASE = "no print yet over a base that looks as {base} does on {garment}"
OF_TYPE = {
    "over": "no print yet of a {} ink over a {} base",
    "straight on": "no print yet of a {} ink straight on {} cloth",
}
NUMBER_WORDS = {number.name: number.word for number in NUMBERS if number.word}


def kind(row: Mapping) -> str:
    """Kind of an answer with its ``verdict`` and ``cause``, a key of `HEADLINES`."""
    return "no_target" if row["cause"] == Cause.NO_TARGET else str(row["verdict"])


def headline(row: Mapping) -> str:
    """The answer to one set-up in a few words; without a target, how far it is from the bucket."""
    found = kind(row)
    if found != "no_target" or row.get("shift_dE00") is None:
        return HEADLINES[found]
    return f"Predictable, {row['shift_dE00']:.1f} dE00 from the bucket"


def vague(row: Mapping) -> bool:
    """Whether a print is as good as unknown: how far it will lie from its bucket tells nothing."""
    sd = [float(row.get(f"{channel}_sd", 0.0)) for channel in "Lab"]
    return as_good_as_unknown(sd)


def test_print(row: Mapping) -> str:
    """Whether a test print is wanted: not where none is needed, nor where it would not help."""
    return "yes" if row["verdict"] == Verdict.TEST else "no"


def reason(row: Mapping, called: Called) -> str:
    """Why, as sentences.

    ``row``: ``cause`` and its facts as `learn.predict.model.ShiftModel.predict` gives them; the
    garment's ``colour_name`` if known; ``where``, the garment of several that is meant.
    """
    cause, unseen = Cause(row["cause"]), unseen_words(row["unseen"], called)
    hows = {one.how for one in row["unseen"]}
    aimed, unclear = row["aimed"], bool(hows & {"contradict", "waits"})
    said = REASONS[cause].format(
        sure=_how_sure(row) if cause is Cause.SURE else "",
        off=row["target_dE00"],
        within=row["within_dE00"],
        tolerance=row["tolerance_dE00"],
        goal="the target" if aimed else "this prediction",
        where=f" on {row['where']}" if row.get("where") else "",
        unseen=unseen,
        then=DECIDE if "waits" in hows else TELLS,
        head="Unclear" if unclear else "Too new",
        new=(f" {'Unclear' if unclear else 'New about it'}: {unseen}." if unseen else "")
        + (_new_lot(row) if cause in (Cause.SURE, Cause.NO_TARGET) else ""),
        luck=_luck(row) if cause is Cause.MISSES else "",
        bucket="" if aimed else _beside_the_bucket(row),
        but="but" if aimed or row["shift_dE00"] > row["tolerance_dE00"] else "and",
    )
    if aimed or cause is Cause.NO_TARGET:
        return said
    if vague(row):
        return f"{said} {TOO_LITTLE}."
    return f"{said} It should come out {_beside_the_bucket(row)}."


def _new_lot(row: Mapping) -> str:
    """That its lot is one never printed; empty where it is known, or none is named."""
    if not (lot := row.get("new_lot")):
        return ""
    what = "A new lot" if lot == NEW_LOT else f"Lot {lot} has not been printed yet"
    return f" {what}: {LOTS_DIFFER}."


def _how_sure(row: Mapping) -> str:
    """How near 19 of 20 prints come to the target; where that is beyond the tolerance, for a shop
    that asks for less, how many come within it."""
    within, tolerance = row["within_dE00"], row["tolerance_dE00"]
    if round(within, 1) > tolerance:
        share = chance(row["p_in_tolerance"])
        return (
            f"{share} of such prints fall within the tolerance of {tolerance:g} dE00 of the target"
        )
    where = f" on {row['where']}" if row.get("where") else ""
    said = f"19 of 20 such prints fall within {within:.1f} dE00 of the target"
    return f"{said}{where}, tolerance {tolerance:g}"


def _luck(row: Mapping) -> str:
    """What is left for a print that is predicted beyond its tolerance: as good as nothing, or
    these of a hundred, be it that prints scatter or that little is known."""
    p = row["p_in_tolerance"]
    if p < HARDLY:
        return "a test print will not help"
    return f"only {chance(p)} of such prints come within the tolerance"


def line_reason(line: Mapping, tolerance: float, garments: int, called: Called) -> str:
    """Why, for a line of a plan or a recipe; empty where it simply goes."""
    if line["cause"] == Cause.SURE and not line["unseen"]:
        return ""
    facts = {"target_dE00": line["worst_dE00"], "within_dE00": line["worst_hi"]}
    facts["p_in_tolerance"] = line["p_all"]
    worst = line["worst_garment"]
    where = named(worst, called.get("garment", {}).get(worst)) if garments > 1 else ""
    told = {**line, **facts, "tolerance_dE00": tolerance, "aimed": True, "where": where}
    return reason(told, called)


def top_up_reason(told: TopUp, tolerance: float, called: Called) -> str:
    """Why, for a mix once corrected."""
    facts = {"target_dE00": told.after_dE00, "tolerance_dE00": tolerance, "aimed": True}
    return reason({**told._asdict(), **facts, "p_in_tolerance": told.p_after}, called)


def unseen_words(unseen: Iterable[Unseen], called: Called) -> str:
    """What was never printed, or hardly; inks never mixed in one phrase."""
    said = list[str]()
    for mixed, some in groupby(unseen, lambda one: (one.what, one.how) == ("mix", "never")):
        if mixed:
            inks = [named(one.level, called.get("ink", {}).get(one.level)) for one in some]
            said.append(f"no print yet of a mix with {listed(inks, 'or')}")
        else:
            said += [_unseen(one, called) for one in some]
    return "; ".join(said)


def _unseen(one: Unseen, called: Called) -> str:
    def name(what: str, level: str) -> str:
        return named(level, called.get(what, {}).get(level))

    kind = "ink" if one.what == "base" else one.what
    level, _, more = one.level.partition("\x1f")
    if one.what in OF_TYPE:
        return OF_TYPE[one.what].format(type_words(level), type_words(more))
    if one.what == "ground":
        said = BASE if more else CLOTH
        return said.format(base=name("ink", more), garment=name("garment", level))
    if one.how == "contradict" and one.what == "lot":
        return f"what was printed of lot {more} does not fit the other prints of its ink"
    if one.how == "waits" and one.what == "lot":
        return f"prints of lot {more} came out far from expected, and wait for a decision"
    level = name(kind, level)
    if one.how == "waits":
        return f"{LATELY[one.what]} {level} came out far from expected, and wait for a decision"
    if one.how == "never":
        changed_on = more  # as `learn.fit.eras` names a press
        since = f" since its change of {date(Date.fromisoformat(changed_on))}" if changed_on else ""
        return f"no print yet {WITH[one.what]} {level}{since}"
    if one.how == "nothing":
        return f"nothing of {one.what} {level} by itself is measured or printed yet"
    if one.how == "few":
        return f"only a few prints of {one.what} {level}"
    if one.how == "contradict" and one.what == "ink":
        return f"what was printed of ink {level} does not fit its drawdowns"
    if one.how == "contradict":
        return f"what was printed on {one.what} {level} does not fit the other prints"
    if one.how == "untold":
        return f"no past print tells its {NUMBER_WORDS[one.what]}, and this is far from a usual one"
    return f"{NUMBER_WORDS[one.what]} {one.how} all past prints"


def _beside_the_bucket(row: Mapping) -> str:
    """``13.7 dE00 darker and duller than the bucket: the black garment shows through``."""
    lab, bucket = ([row[prefix + c] for c in "Lab"] for prefix in ("", "bucket_"))
    looks = looks_beside(lab, bucket)
    than = f"{listed(looks)} than" if looks else "from"
    said = f"{row['shift_dE00']:.1f} dE00 {than} the bucket"
    if not row["beneath"]:
        return said
    colour = row.get("colour_name") if row["beneath"] == "garment" else None
    what = f"{colour.lower()} garment" if colour else row["beneath"]
    return f"{said}: the {what} shows through"
