"""The shop's tables, column by column: the one place that knows names, units and limits."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from learn.process import SETTINGS

Kind = Literal["text", "choice", "number", "whole", "date", "film"]
GRACE_DAYS = 1  # that a clock elsewhere may be ahead of this one
DAYS_AHEAD = 366  # how far after today a day may be that is asked about


@dataclass(frozen=True)
class Column:
    """One column. ``present``: it must exist; ``filled``: its cells must not be empty."""

    name: str
    kind: Kind = "text"
    present: bool = False
    filled: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    also: tuple[tuple[str, str], ...] = ()  # what else people write for a choice
    refers_to: str | None = None  # the table in which this identifier must be found
    or_else: str | None = None  # a column that may stand in its place
    days_ahead: int = DAYS_AHEAD
    code: bool = False  # words for "nothing" are an empty cell, as they are not in free text
    answers: tuple[str, ...] = ()  # such words that say something here
    do: str = "correct it or leave it out"


@dataclass(frozen=True)
class Table:
    """One table; ``colour`` tables also carry a spectrum (``r400`` ...) or ``L, a, b``.

    ``optional``: a shop need not keep it.
    """

    name: str
    columns: tuple[Column, ...]
    key: str | None = None
    colour: bool = False
    optional: bool = False

    def __hash__(self) -> int:  # that of all columns would be worked out for every cell looked at
        return hash(self.name)

    @property
    def file(self) -> str:
        return f"{self.name}.csv"

    def column(self, name: str) -> Column | None:
        return next((column for column in self.columns if column.name == name), None)


def _id(name: str, table: str | None = None, *, needed: bool = False) -> Column:
    do = "fill it in" if needed else "correct it or leave it out"
    return Column(name, present=needed, filled=needed, refers_to=table, do=do, code=True)


LAB = (
    Column("L", "number", low=0, high=100, do="check the measurement: L* lies in 0 to 100"),
    Column("a", "number", low=-150, high=150, do="check the measurement: a* lies within 150"),
    Column("b", "number", low=-150, high=150, do="check the measurement: b* lies within 150"),
)

ALIASES = Column("aliases")  # other names of the same thing, separated by ;
MIX = Column("mix", code=True)  # what is mixed, by weight: red=70; white=30

INKS = Table(
    "inks",
    (
        _id("ink_id", needed=True),
        Column("ink_name"),
        Column(
            "ink_type",
            "choice",
            present=True,
            choices=("plastisol", "water_based", "discharge", "silicone"),
        ),
        Column(
            "role",
            "choice",
            present=True,
            choices=("colour", "underbase"),
            also=(("base", "underbase"), ("top", "colour")),
        ),
        Column(
            "solids_vol_pct",
            "number",
            low=2,
            high=100,
            do="give the volume left after cure in percent (100 for none lost), not a fraction",
        ),
        MIX,
        ALIASES,
    ),
    key="ink_id",
)

SUBSTRATES = Table(
    "substrates",
    (
        _id("substrate_id", needed=True),
        Column(
            "kind",
            "choice",
            present=True,
            filled=True,
            choices=("garment", "card"),
            do="write garment or card",
        ),
        Column("fibre", code=True),
        Column("colour_name"),
        ALIASES,
    ),
    key="substrate_id",
    colour=True,
)

MESHES = Table(
    "meshes",
    (
        _id("mesh_id", needed=True),
        Column(
            "threads_per_cm",
            "number",
            present=True,
            filled=True,
            low=4,
            high=600,
            or_else="threads_per_inch",
            do="give the count per centimetre, or in a column threads_per_inch",
        ),
        Column("threads_per_inch", "number", low=10, high=1500, do="give the count, or nothing"),
        Column(
            "thread_um",
            "number",
            present=True,
            low=10,
            high=1000,
            do="give the thread diameter in micrometres, as on the mesh maker's sheet",
        ),
        Column("opening_um", "number", low=5, high=3000, do="give it in micrometres, or nothing"),
        Column(
            "open_area_pct",
            "number",
            low=2,
            high=90,
            do="give it in percent, not as a fraction, or leave it out",
        ),
        Column("fabric_um", "number", low=10, high=2000, do="give it in micrometres, or nothing"),
        Column(
            "theoretical_ink_cm3_m2",
            "number",
            low=1,
            high=1000,
            do="give it in cm3 a square metre, or leave it out",
        ),
        ALIASES,
    ),
    key="mesh_id",
)

PRESSES = Table(
    "presses",
    (_id("press_id", needed=True), Column("press_name"), Column("notes"), ALIASES),
    key="press_id",
    optional=True,
)

CHANGES = Table(
    "changes",
    (
        Column("press_id", present=True, filled=True, refers_to="presses", do="name the press"),
        Column(
            "changed_on",
            "date",
            present=True,
            filled=True,
            do="give the day of the change, as 2026-03-31",
        ),
        Column("what", present=True, filled=True, do="say what was changed: mended, new blade"),
        Column("note"),
    ),
    optional=True,
)

DRAWDOWNS = Table(
    "drawdowns",
    (
        _id("ink_id", "inks", needed=True),
        _id("substrate_id", "substrates", needed=True),
        Column(
            "film_um",
            "film",
            present=True,
            filled=True,
            low=0.1,
            high=5000,
            do="give the dry film in micrometres, or write bucket for a full-hiding layer",
        ),
        _id("ink_lot"),
        _id("mixed_with", "inks"),
        Column(
            "share_pct",
            "number",
            low=0.05,
            high=99.95,
            do="give the percent by weight of ink_id in the mix",
        ),
    ),
    colour=True,
)

# What an underbase is printed with; neither can be done without where there is one.

# The process of one print: shared by the history and by the set-ups to predict.
PROCESS = (
    Column("printed_on", "date"),
    _id("job_id"),
    _id("press_id", "presses"),
    _id("substrate_id", "substrates", needed=True),
    _id("underbase_ink_id", "inks"),
    _id("underbase_mesh_id", "meshes"),
    Column("underbase_strokes", "whole", low=1, high=20, do="give the strokes of the underbase"),
    _id("ink_id", "inks", needed=True),
    _id("ink_lot"),
    _id("mesh_id", "meshes", needed=True),
    Column(
        "strokes",
        "whole",
        present=True,
        filled=True,
        low=1,
        high=20,
        do="give all strokes of the top ink, 1 or more",
    ),
    Column(
        "flash_count",
        "whole",
        present=True,
        low=0,
        high=19,
        do="give the flashes between strokes of the top ink, 0 for none",
    ),
    *(Column(s.name, "number", low=s.low, high=s.high) for s in SETTINGS),
    Column("readings", "whole", low=1, high=1000),
)

# What was measured was printed by now; what is asked about may be a job of next month.
PRINTED = tuple(replace(c, days_ahead=GRACE_DAYS) if c.kind == "date" else c for c in PROCESS)

PRINTS = Table("prints", (_id("print_id", needed=True), *PRINTED, MIX), key="print_id", colour=True)

SETUPS = Table(
    "setups",
    (
        Column("setup_id", present=True, filled=True, or_else="job_id", do="fill it in"),
        # none: of no lot in particular, where an empty cell is the one that is open
        *(replace(c, answers=("none",)) if c.name == "ink_lot" else c for c in PROCESS),
        Column("print_order", "whole", low=1, high=40, do="give 1 for the first colour, 2, 3, ..."),
        Column("target", code=True),
        Column("target_L", "number", low=0, high=100, do="L* lies in 0 to 100"),
        Column("target_a", "number", low=-150, high=150, do="a* lies within 150"),
        Column("target_b", "number", low=-150, high=150, do="b* lies within 150"),
        Column("tolerance_dE00", "number", low=0.05, high=50, do="give a dE00 from 0.05 to 50"),
    ),
    key="setup_id",
)

TARGETS = Table(
    "targets",
    (
        _id("name", needed=True),
        Column("hex"),
        Column("tolerance_dE00", "number", low=0.05, high=50, do="give a dE00 from 0.05 to 50"),
    ),
    key="name",
    colour=True,
)

# What prints were meant to be; nothing is learnt from it.
AIMS = Table(
    "aims",
    (
        _id("print_id", needed=True),
        Column("target", present=True, filled=True, do="fill it in or drop the row"),
        Column("tolerance_dE00", "number", low=0.05, high=50, do="give a dE00 from 0.05 to 50"),
    ),
    key="print_id",
    optional=True,
)

# What somebody, or the check on arrival, has decided on prints.
WAITS, ASIDE, KEPT = "waits", "set_aside", "kept"
DECISIONS = Table(
    "decisions",
    (
        _id("print_id", needed=True),
        Column(
            "stands",
            "choice",
            present=True,
            filled=True,
            choices=(WAITS, ASIDE, KEPT),
            do="write waits, set_aside or kept",
        ),
        Column("reason"),
    ),
    key="print_id",
    optional=True,
)

# Without targets: they are optional, and nothing is learnt from them.
SHOP_TABLES = {
    table.name: table for table in (INKS, SUBSTRATES, MESHES, PRESSES, CHANGES, DRAWDOWNS, PRINTS)
}
NEEDED_TABLES = {name: table for name, table in SHOP_TABLES.items() if not table.optional}

PREDICTION_COLUMNS = [
    *("setup_id", "L", "a", "b", "L_sd", "a_sd", "b_sd", "bucket_L", "bucket_a", "bucket_b"),
    *("shift_dE00", "shift_lo", "shift_hi", "target_dE00", "target_lo", "target_hi"),
    *("p_in_tolerance", "test_print", "reason", "verdict", "cause"),
]
# Beside them where a file names jobs: the verdict on the whole job of each set-up.
JOB_COLUMNS = ["job_id", "job_p_in_tolerance", "job_verdict", "job_cause", "job_held_by"]
