"""Stored models and a shop's database, damaged or edited in one thing each; what is answered then.

`sound` makes a small shop with two versions of its model and a report card; `models` and `database`
hold, by kind, what happens to it. `outcome` tells what became of that:

* ``unchanged``: every answer is what it was;
* ``told``: a sentence tells of the damage, and doing what it says gives a sound answer again;
* ``silent``: another answer without a word;
* ``stuck``: told, but what it says does not help;
* ``crashed``: a traceback, several sentences, or no end.
"""

from tests.damaged.database import database
from tests.damaged.files import HOW, Damage, Kinds, cases
from tests.damaged.models import models
from tests.damaged.shop import WELL, WORST, Sound, outcome, sound

__all__ = ["HOW", "WELL", "WORST", "Damage", "Kinds", "Sound", "cases", "database", "models",
           "outcome", "sound"]  # fmt: skip
