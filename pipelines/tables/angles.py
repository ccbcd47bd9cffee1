"""Squeegee angles: from vertical, though the trade mostly counts them from the mesh."""

from __future__ import annotations

import pandas as pd

from pipelines.words.common import counted

COLUMN = "squeegee_angle_deg"
# No blade leans further than this: what is written above it was measured from the mesh, where
# 65 to 75 degrees are usual in garment printing (published trade articles).
FARTHEST_DEG = 45.0


def from_vertical(frame: pd.DataFrame) -> pd.DataFrame:
    """Prints or set-ups with every angle from vertical.

    >>> frame = pd.DataFrame({"squeegee_angle_deg": [15.0, 75.0, None]})
    >>> from_vertical(frame)["squeegee_angle_deg"].tolist()
    [15.0, 15.0, nan]
    """
    angle = frame[COLUMN].astype(float)
    return frame.assign(**{COLUMN: angle.where(~(angle > FARTHEST_DEG), 90 - angle)})


def of_the_mesh(cells: pd.DataFrame, file: str) -> list[str]:
    """A sentence on angles, typed or not yet, that were measured from the mesh.

    >>> of_the_mesh(pd.DataFrame({"squeegee_angle_deg": ["75", ""]}), "prints.csv")[0][-41:]
    'the mesh: 75 as 15 degrees from vertical.'
    """
    angle = pd.to_numeric(cells.get(COLUMN, pd.Series(dtype=float)), errors="coerce")
    above = angle[angle > FARTHEST_DEG]
    if above.empty:
        return []
    written = float(above.iloc[0])
    return [
        f"{file}: {counted(len(above), 'squeegee angle')} above {FARTHEST_DEG:g} taken as measured "
        f"from the mesh: {written:g} as {90 - written:g} degrees from vertical."
    ]
