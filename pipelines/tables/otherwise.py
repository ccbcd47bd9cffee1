"""Press settings written another way than the tables count them: read so, and told.

Squeegee angles stand from vertical, though the trade mostly counts them from the mesh; off-contact
in mm, though many a gauge reads inches.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

import pandas as pd

from pipelines.words.common import counted


class Otherwise(NamedTuple):
    """A column, which of its numbers cannot be meant as it counts, and what they are then."""

    column: str
    is_so: Callable[[pd.Series], pd.Series]
    turned: Callable[[pd.Series], pd.Series]
    what: str
    taken: str
    unit: str


INCH_MM = 25.4
WAYS = (
    # No blade leans further than 45 degrees: what is written above it was measured from the mesh,
    # where 65 to 75 are usual in garment printing (published trade articles).
    Otherwise(
        "squeegee_angle_deg",
        lambda angle: angle > 45,
        lambda angle: 90 - angle,
        "squeegee angle",
        "above 45 taken as measured from the mesh",
        "degrees from vertical",
    ),
    # A sixteenth to a quarter of an inch is usual, and so are 1.5 to 6 mm (common practice, no
    # source); nobody sets a screen to a tenth of a millimetre.
    Otherwise(
        "off_contact_mm",
        lambda gap: (gap > 0) & (gap < 0.3),
        lambda gap: gap * INCH_MM,
        "off-contact distance",
        "under 0.3 taken as inches",
        "mm",
    ),
)


def as_counted(frame: pd.DataFrame) -> pd.DataFrame:
    """Prints or set-ups with every setting as the tables count it.

    >>> frame = pd.DataFrame({"squeegee_angle_deg": [15.0, 75.0], "off_contact_mm": [None, 0.125]})
    >>> as_counted(frame).to_numpy().tolist()
    [[15.0, nan], [15.0, 3.175]]
    """
    columns = {}
    for way in WAYS:
        values = frame[way.column].astype(float)
        columns[way.column] = values.where(~way.is_so(values), way.turned(values))
    return frame.assign(**columns)


def written_otherwise(cells: pd.DataFrame, called: str | Mapping[str, str]) -> list[str]:
    """A sentence a column on cells, typed or not yet, that are read another way; ``called``: the
    file, or what each column is called.

    >>> written_otherwise(pd.DataFrame({"squeegee_angle_deg": ["75", ""]}), "prints.csv")[0][-41:]
    'the mesh: 75 as 15 degrees from vertical.'
    """
    told = []
    for way in WAYS:
        if way.column not in cells:
            continue
        values = pd.to_numeric(cells[way.column], errors="coerce")
        some = values[way.is_so(values)]
        if len(some):
            name = called if isinstance(called, str) else called.get(way.column, way.column)
            told.append(
                f"{name}: {counted(len(some), way.what)} {way.taken}: {some.iloc[0]:g} as "
                f"{way.turned(some).iloc[0]:.3g} {way.unit}."
            )
    return told
