"""What a set-up leaves open, filled in with what the shop usually does; and told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from learn.process import SETTING_COLUMNS, SETTINGS
from learn.shop import UNDERBASE
from pipelines.tables.names import found_in
from pipelines.workspace.problems import Findings
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from pipelines.tables.folder import Given

NO_BASE = ("none", "no", "-")
FEWEST = 10  # prints on a garment from which one can say what is mostly done on it
PARTS = {
    "mesh_id": "mesh",
    "strokes": "strokes",
    UNDERBASE[0]: "base",
    UNDERBASE[1]: "mesh of the base",
    UNDERBASE[2]: "strokes of the base",
    "press_id": "press",
    **{s.name: s.label for s in SETTINGS},
}


def completed(cells: dict[str, str], given: Given) -> tuple[dict[str, str], str | None]:
    """The cells of a set-up (column -> text) that names ink and garment, with mesh, strokes, base,
    press and settings where they are left out; and by what. Presets of ``shop.toml`` come first,
    then what the shop mostly does. One that names mesh and strokes is left as it is, as is one
    whose garment is not understood.
    """
    from pipelines.tables.folder import known_in, to_shop
    from pipelines.tables.presets import preset_for, read_presets

    wanted = {"ink_id", "substrate_id"} <= cells.keys()
    if not wanted or {"mesh_id", "strokes"} <= cells.keys():
        return cells, None
    known = known_in(given.tables)
    names = known["substrates"]
    found = found_in(cells["substrate_id"], names, table="setups", column="substrate_id")
    if len(found) != 1:
        return cells, None
    shop = to_shop(given)
    lightness = _lightness(shop)
    presets = read_presets(given.shop_toml, known, faults := Findings())
    tell([f"{problem} Left aside." for problem in faults.problems])
    preset, titles = preset_for(presets, found[0], lightness[found[0]])
    usual, where = _mostly(shop.prints, found[0], lightness, names.label(found[0]))
    full, by_preset, by_history = _filled(cells, preset, usual)
    said = []
    if by_preset:
        said.append(f"{_listed(by_preset)}: {' and '.join(titles)} of shop.toml")
    if by_history:
        said.append(f"{_listed(by_history)}: what the shop mostly does on {where}")
    return full, "; ".join(said) or None


def _filled(
    cells: dict[str, str], preset: dict[str, str], usual: dict[str, str]
) -> tuple[dict[str, str], list[str], list[str]]:
    """The cells with what was left out, and the columns filled by preset and by history."""
    full = dict(cells)
    by_preset: list[str] = []
    by_history: list[str] = []
    if full.get(UNDERBASE[0], "").casefold() in NO_BASE:
        full |= dict.fromkeys(UNDERBASE, "")
    groups: list[tuple[str, ...]] = [("mesh_id",), ("strokes", "flash_count")]
    groups += [tuple(UNDERBASE)] if not full.get(UNDERBASE[0]) else [(c,) for c in UNDERBASE[1:]]
    groups += [(c,) for c in ("press_id", *SETTING_COLUMNS)]
    if "mesh_id" in cells:  # another screen is another print, not the usual strokes
        usual = usual | {"strokes": "1", "flash_count": "0"}
    for first, *others in groups:
        if first in full or (first == UNDERBASE[0] and any(c in full for c in UNDERBASE)):
            continue
        source, told = (preset, by_preset) if first in preset else (usual, by_history)
        if first in source:
            full |= {c: source[c] for c in (first, *others) if c in source and c not in full}
            told.append(first)
    if full.get(UNDERBASE[0]) and not full.get(UNDERBASE[1]):
        full[UNDERBASE[1]] = usual.get(UNDERBASE[1]) or full.get("mesh_id", "")
        by_history.append(UNDERBASE[1])
    return {c: v for c, v in full.items() if v != ""}, by_preset, by_history


def _mostly(
    prints: Any, garment: str, lightness: dict[str, float], label: str
) -> tuple[dict[str, str], str]:
    """What is mostly done on a garment, or on the dark or light ones where it was seldom printed
    on, as text; and on which."""
    import pandas as pd

    from learn.planning.plan import usual_setup
    from pipelines.tables.presets import DARK_BELOW_L

    alike, where = [garment], label
    if (prints["substrate_id"] == garment).sum() < FEWEST:
        dark = lightness[garment] < DARK_BELOW_L
        alike = [one for one, L in lightness.items() if (L < DARK_BELOW_L) == dark]
        where = f"{'dark' if dark else 'light'} garments"
    if not prints["substrate_id"].isin(alike).any():
        return {}, where
    usual = usual_setup(prints, alike)
    told = {c: f"{v:g}" if isinstance(v, float) else v for c, v in usual.items() if pd.notna(v)}
    return (dict.fromkeys(UNDERBASE, "") if UNDERBASE[0] not in told else {}) | told, where


def _lightness(shop: Any) -> dict[str, float]:
    """L* of every bare garment."""
    from learn.colour.colorimetry import viewing
    from learn.physics.drawdowns import lab_columns

    cloths = shop.substrates[shop.substrates["kind"] == "garment"]
    lab = lab_columns(cloths, viewing(shop.settings.illuminant, shop.settings.observer))
    return dict(zip(cloths["substrate_id"], lab[:, 0].tolist(), strict=True))


def _listed(columns: list[str]) -> str:
    words = [PARTS[column] for column in columns]
    return f"{', '.join(words[:-1])} and {words[-1]}" if words[1:] else words[0]
