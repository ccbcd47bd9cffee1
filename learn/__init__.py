"""Predict how a garment screen print will look, and how sure that prediction is.

What people import stands here by name and is loaded when first used. With ``model`` a fitted
:class:`ShiftModel` and ``shop`` the :class:`Shop` it learnt from:

Which set-ups land on a colour on two garments, and how sure is that?

>>> from learn import Limits, plan, usual_setup
>>> limits = Limits(inks=("C08", "C10"), meshes=("M61-64", "M90-48"), presses=("P1",))
>>> usual = usual_setup(shop.prints, ["G01", "G02"])
>>> found = plan(model, [32, 52, 26], ["G01", "G02"], limits=limits, usual=usual, tolerance=4)
>>> found.reached, len(found.garments), found.lines["ink_id"].iloc[0]
(True, 2, 'C08')
>>> bool(found.lines["p_all"].iloc[0] > 0.5)
True

Which ink appears as the target, at one set-up?

>>> from learn import shades
>>> setup = {"mesh_id": "M61-64", "strokes": 1.0, "flash_count": 0.0, "press_id": "P1"}
>>> by_ink = shades(model, [32, 52, 26], setup, ["G01"])
>>> by_ink.columns.tolist()
['ink_id', 'bucket_dE00', 'print_dE00', 'worst_garment', 'p_all', 'lore']

A mix, weighed to the gram, and what to add to it after its first test print:

>>> from learn import Weighing, recipes, top_up
>>> weighing = Weighing(bucket_kg=2.0, smallest_g=1.0)
>>> told = recipes(model, [45, 45, 20], setup, ["G01"], inks=["C08", "C10", "C24", "C26"],
...                most_inks=3, weighing=weighing)
>>> first = told.lines.iloc[0]
>>> float(round(sum(first["percent"]), 6))
100.0
>>> mix = dict(zip(first["inks"], first["percent"]))
>>> more = top_up(told.mixing, mix, 2.0, {"G01": [48, 41, 17]}, told.target, tolerance=2.0)
>>> more.after_dE00 <= more.before_dE00, min(more.add_kg.values(), default=0) >= 0
(True, True)

Which prints describe an ink that was never printed, and how near would usual set-ups then come?

>>> from learn import plan_ink
>>> told = plan_ink(model, "C08", shop.prints, most=3)
>>> told.printed, len(told.prints), told.enough <= 3
(0, 3, True)
>>> bool(told.prints["within_dE00"].iloc[-1] < told.before.within_dE00)
True

How well does each ink hide what lies beneath it, at the film the shop usually lays?

>>> from learn import opacity
>>> hides = opacity(model, usual).set_index("ink_id")["contrast_ratio"]
>>> bool(hides["C09"] > hides["C08"])  # an opaque red, and its clear twin
True
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what stands below is for checkers and editors
    from learn.mixing.mixture import Mixing as Mixing
    from learn.mixing.recipes import Weighing as Weighing
    from learn.mixing.recipes import recipes as recipes
    from learn.mixing.top_up import top_up as top_up
    from learn.planning.candidates import Limits as Limits
    from learn.planning.new_ink import InkPlan as InkPlan
    from learn.planning.new_ink import plan_ink as plan_ink
    from learn.planning.next_test import rank_tests as rank_tests
    from learn.planning.opacity import opacity as opacity
    from learn.planning.plan import Plan as Plan
    from learn.planning.plan import plan as plan
    from learn.planning.plan import usual_setup as usual_setup
    from learn.planning.shades import shades as shades
    from learn.predict.costs import decide as decide
    from learn.predict.model import ShiftModel as ShiftModel
    from learn.shop import Shop as Shop
    from learn.shop import ShopSettings as ShopSettings

_HOMES = {
    "ShiftModel": "predict.model",
    "Shop": "shop",
    "ShopSettings": "shop",
    "Limits": "planning.candidates",
    "InkPlan": "planning.new_ink",
    "plan_ink": "planning.new_ink",
    "plan": "planning.plan",
    "Plan": "planning.plan",
    "usual_setup": "planning.plan",
    "shades": "planning.shades",
    "decide": "predict.costs",
    "Mixing": "mixing.mixture",
    "Weighing": "mixing.recipes",
    "recipes": "mixing.recipes",
    "rank_tests": "planning.next_test",
    "top_up": "mixing.top_up",
    "opacity": "planning.opacity",
}
__all__ = sorted(_HOMES)  # noqa: PLE0605  each name stands once


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"learn.{_HOMES[name]}"), name)
    msg = f"module 'learn' has no attribute {name!r}"
    raise AttributeError(msg)
