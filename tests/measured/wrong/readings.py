"""Readings to put into files, a file as a case, and the colours they truly have."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from learn.colour.colorimetry import lab_from_xyz, viewing, xyz_from_reflectance
from tests.measured.documents import NM

# As dark as the darkest print of an invented shop; a bleached cloth; a pale ink over it.
DARK = np.stack([0.0072 + 0.0004 * np.sin((NM - at) / 90) for at in (380, 500)])
PALE = np.stack([0.78 + 0.06 * np.tanh((NM - 430) / 40), 0.62 + 0.12 * np.tanh((NM - 500) / 60)])
FLUORESCENT = 0.04 + 1.4 * np.exp(-(((NM - 610) / 35.0) ** 2))[None] + 0.4 * (NM > 640)


@dataclass(frozen=True)
class Readings:
    """What goes into a file: ``spectra`` times ``scale``; ``lab`` and ``xyz`` where not None."""

    spectra: np.ndarray
    with_spectra: bool = True
    scale: float | np.ndarray = 1.0
    lab: np.ndarray | None = None
    xyz: np.ndarray | None = None
    declared: tuple[tuple[str, str], ...] = ()
    spec: str | None = None

    @property
    def names(self) -> list[str]:
        return [f"P{i + 1}" for i in range(len(self.spectra))]

    @property
    def true_lab(self) -> np.ndarray:
        return lab_of(self.spectra)


@dataclass(frozen=True)
class Case:
    """A file; ``true_lab`` if reading it is no fault when these come out; ``word``: is telling."""

    content: bytes
    true_lab: np.ndarray | None = None
    word: str | None = None
    options: dict[str, Any] = field(default_factory=dict)


def xyz_of(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> np.ndarray:
    """XYZ of spectra at 380 ... 730 nm."""
    return xyz_from_reflectance(spectra[:, 2:33], viewing(illuminant, observer))


def lab_of(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> np.ndarray:
    """Lab of the same."""
    view = viewing(illuminant, observer)
    return lab_from_xyz(xyz_of(spectra, illuminant, observer), view.white_xyz)


def columns_of(one: Readings, sample: str, spelling: str, axes: str) -> dict[str, list[object]]:
    columns: dict[str, list[object]] = {sample: list(one.names)}
    for space, values in (("LAB", one.lab), ("XYZ", one.xyz)):
        if values is not None:
            for i, axis in enumerate(space):
                name = axes.format(space=space, axis=axis)
                if name in ("A", "B"):
                    name = name.lower()
                columns[name] = values[:, i].round(4).tolist()
    if one.with_spectra:
        values = one.spectra * np.broadcast_to(one.scale, (len(one.spectra),))[:, None]
        columns |= {spelling.format(nm): values[:, i].round(6).tolist() for i, nm in enumerate(NM)}
    return columns


def both(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> Readings:
    return Readings(spectra, lab=lab_of(spectra, illuminant, observer))


def lab_only(spectra: np.ndarray, illuminant: str = "D50", observer: str = "2") -> Readings:
    return replace(both(spectra, illuminant, observer), with_spectra=False)


def swapped(lab: np.ndarray) -> np.ndarray:
    return lab[:, [0, 2, 1]]
