"""Which column of an export is what, in the spellings the instruments' programs use."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pipelines.measured.block import listed, refuse
from pipelines.measured.facts import FIELDS, plain
from pipelines.measured.heads import bare
from pipelines.workspace.problems import UserError

# One column a wavelength: r400, R_400, 400nm, nm400, SPEC_400, SPECTRAL_NM400, SPECTRAL_PCT_400,
# %R 400 nm, R400 (%), 400 nm [%].
_WAVELENGTH = re.compile(
    r"%?\s*(?:spectral|spectrum|spec|reflectance|refl|r|lambda|wl)?\.?[\s_-]*"
    r"(?:nm|pct|dec|%|[(\[]%[)\]])?[\s_-]*"
    r"([3-8][0-9]{2})(?:\.0+)?\s*(?:nm)?\s*(?:%|[(\[](?:%|nm)[)\]])?",
    re.IGNORECASE,
)
# The long spelling first: beside LAB_L a bare L may be anything. Three letters of one size are Lab.
_LAB = (
    re.compile(r"(?:cie)?[\s_-]*lab[\s_-]*([lab])\*?", re.IGNORECASE),
    re.compile(r"(?:CIE[\s_-]*)?([Lab])(?:\*|[\s_-]?star)?"),
    re.compile(r"([LAB])\*?"),
    re.compile(r"([lab])\*?"),
)
_XYZ = (
    re.compile(r"(?:cie)?[\s_-]*xyz[\s_-]*([xyz])", re.IGNORECASE),
    re.compile(r"(?:CIE[\s_-]*)?([XYZ])"),
)

# First the shop's own key, then what names a patch, last what may be a running number.
_SAMPLE: tuple[str, ...] = (
    "printid",
    "samplename",
    "sample",
    "printname",
    "print",
    "patchname",
    "patch",
    "sampleid",
)
_SAMPLE += ("name", "label", "probe", "probenname", "muster", "druck", "échantillon", "muestra")
_SAMPLE += ("campione", "monster", "id", "sampleno", "sampleloc")


@dataclass(frozen=True)
class Columns:
    """Names of the columns that are used; ``spectrum``: wavelength (nm) -> name, as they stand."""

    samples: list[str]
    lab: list[str]
    xyz: list[str]
    spectrum: dict[int, str]
    conditions: list[str]
    others: list[str]

    @property
    def has_colour(self) -> bool:
        return bool(self.lab or self.xyz or self.spectrum)


def is_header(names: list[str]) -> bool:
    """Whether a row names a sample and a colour."""
    try:
        columns = columns_of(list(map(bare, names)), "")
    except UserError:  # a colour that stands there twice is one all the same
        return any(_sample_key(name) in _SAMPLE for name in names)
    return columns.has_colour and bool(columns.samples)


def columns_of(names: list[str], file: str) -> Columns:
    """Sort the columns of a table by what they hold.

    Raises UserError for a wavelength or a colour that stands there twice or in part.
    """
    spectrum: dict[int, str] = {}
    for name in names:
        if found := _WAVELENGTH.fullmatch(name.strip()):
            nm = int(found[1])
            if nm in spectrum:
                what = f"{nm} nm stands there twice, as {spectrum[nm]} and as {name}"
                refuse(file, what, "keep one of the two", column=name)
            spectrum[nm] = name
    lab = _coordinates(names, _LAB, "Lab", file)
    xyz = _coordinates(names, _XYZ, "XYZ", file)
    by_key = {_sample_key(name): name for name in names}
    samples = [by_key[key] for key in _SAMPLE if key in by_key]
    conditions = [name for name in names if FIELDS.get(plain(name), "created") != "created"]
    used = {*spectrum.values(), *lab, *xyz, *samples, *conditions}
    others = [name for name in names if name not in used]
    return Columns(samples, lab, xyz, spectrum, conditions, others)


def _sample_key(name: str) -> str:
    return re.sub(r"[\s_.-]", "", name).casefold()


def _coordinates(
    names: list[str], spellings: tuple[re.Pattern[str], ...], space: str, file: str
) -> list[str]:
    """The three columns of a colour space in its order, or none."""
    first: dict[str, str] = {}
    for spelling in spellings:
        axes: dict[str, str] = {}
        for name in names:
            if found := spelling.fullmatch(name.strip()):
                axis = found[1].casefold()
                if axis in axes:
                    what = f"{space} {axis} stands there twice, as {axes[axis]} and as {name}"
                    refuse(file, what, "keep one of the two", column=name)
                axes[axis] = name
        first = first or axes
        if len(axes) == 3:
            break
    else:
        axes = first
    wanted = list(space.casefold())
    if axes and len(axes) < 3:
        if space == "XYZ":
            return []
        what = "stands there without the other of L, a, b"
        refuse(file, what, "export all three, or none", column=listed(axes.values()))
    return [axes[axis] for axis in wanted] if axes else []
