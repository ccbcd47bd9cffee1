"""What a shop's tables hold that its model has not learnt: the one judge of it, for all who ask."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from pipelines.registry.catalogue import OF_VERDICT
from pipelines.words.common import counted

if TYPE_CHECKING:
    from learn.fit.fingerprints import Marks
    from learn.predict.model import ShiftModel
    from learn.shop import Shop


class Unlearnt(NamedTuple):
    """Empty where ``learn`` would find nothing to do."""

    setting: str  # of shop.toml that is another; empty where none is
    changed: list[str]  # rows that were learnt, and are different or gone: "print P12"
    released: list[str]  # print_ids once left out as plainly wrong that are to be learnt from
    new: list[str]  # print_ids
    added: bool  # rows of other tables came

    @property
    def contrary(self) -> str:
        """What was learnt otherwise than it is now, in a few words; empty where nothing was."""
        setting = [f"{self.setting} in shop.toml"] if self.setting else []
        what = [*setting, *self.changed, *(f"print {one}" for one in self.released)]
        more = f" and {len(what) - 1} more" if what[1:] else ""
        return f"{what[0]}{more}" if what else ""

    def __bool__(self) -> bool:
        return any(self)

    def notes(self, *, counted_here: bool, tried: str | None = None) -> list[str]:
        """What is told where a model answers that has not learnt this, its new prints being
        ``counted_here`` or not; ``tried``: the version that learnt it and was not put in charge."""
        said: list[str] = []
        learn, for_good = "; run strikeoff learn", "; strikeoff learn takes them in for good"
        if tried:
            learn = for_good = ""
            said.append(
                f"model {tried} has learnt the tables as they are now and was not put in charge; "
                f"strikeoff models --use {tried} does that."
            )
        if self.contrary:
            what = f"the tables have changed since this model learnt ({self.contrary})"
            said.append(f"{what}, which is not counted here{learn}.")
        if self.new:
            what = f"{counted(len(self.new), 'print')} recorded since this model learnt"
            how = f"counted here{for_good}" if counted_here else f"not counted here{learn}"
            said.append(f"{what}: {how}.")
        if self.added and not said:
            said.append("the tables have changed since this model learnt; run strikeoff learn.")
        return said

    def waits(self, print_ids: Collection[str], *, counted_here: bool, what: str = "it") -> str:
        """Whether ``what`` was decided on prints counts already, as a sentence."""
        now = {f"print {one}" for one in print_ids}
        new = set(self.new) & set(print_ids)
        if self.setting or now & set(self.changed) or set(print_ids) & set(self.released):
            return once_learnt(what)
        if new and not counted_here:
            return once_learnt(what)
        for_good = "; strikeoff learn takes it in for good" if new else ""
        return f"{what.capitalize()} counts from now on{for_good}."


def once_learnt(what: str = "it") -> str:
    """That something counts once all is learnt anew, as a sentence."""
    return f"strikeoff learn makes {what} count."


NONE = Unlearnt("", [], [], [], False)
OF_COLOUR = ("illuminant", "observer")  # under others, colours are not the same numbers


def same_colours(model: ShiftModel, shop: Shop) -> bool:
    """Whether the model speaks of Lab under the shop's illuminant and observer."""
    return all(getattr(model.settings_, n) == getattr(shop.settings, n) for n in OF_COLOUR)


def unlearnt(
    model: ShiftModel, shop: Shop, trusted: Collection[str], marks: Marks | None = None
) -> Unlearnt:
    """What of ``shop`` the model has not learnt; ``marks``: of the shop, where they are at hand.

    Prints that are ``trusted`` count only where the model once left them out: that somebody says
    of a print that it is right is nothing to learn where it was learnt.
    """
    from learn.fit.fingerprints import changes

    marks = marks_now(model, shop) if marks is None else marks
    learnt = model.marks_
    settings = [
        name
        for name, value in vars(model.settings_).items()
        if name not in OF_VERDICT and getattr(shop.settings, name) != value
    ]
    return Unlearnt(
        settings[0] if settings else "",
        changes(learnt, marks),
        sorted(set(model.set_aside_["print_id"]) & set(trusted)),
        new_prints(model, marks),
        any(marks[table].keys() - learnt[table].keys() for table in marks if table != "prints"),
    )


def new_prints(model: ShiftModel, marks: Marks) -> list[str]:
    """print_ids the model has not learnt from."""
    return [name for name in marks["prints"] if name not in model.marks_["prints"]]


def marks_now(model: ShiftModel, shop: Shop) -> Marks:
    """Marks of what can be learnt from, as the model takes them."""
    import numpy as np

    from learn.fit.fingerprints import marks_of
    from learn.physics.drawdowns import lab_columns

    usable = np.isfinite(lab_columns(shop.prints, model.viewing_)).all(axis=1)
    return marks_of(replace(shop, prints=shop.prints[usable].reset_index(drop=True)))
