"""What a set-up leaves open, filled in with what the shop usually does; and told."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from learn.process import AT_PRESS, SETTING_COLUMNS, SETTINGS
from learn.shop import UNDERBASE
from pipelines.tables.names import found_in
from pipelines.words.common import type_words
from pipelines.workspace.problems import Findings

if TYPE_CHECKING:
    import pandas as pd

    from learn.shop import Shop
    from pipelines.tables.folder import Given
    from pipelines.workspace.folders import Workspace

NO_BASE = ("none", "no", "-")
SCREEN = {"mesh_id", "strokes"}  # a set-up that names these says how it is printed
FEWEST = 10  # prints on a garment from which one can say what is mostly done on it
ALIKE = 3  # prints from which it can be said where all of them are alike
MOSTLY = "what the shop mostly does"
THIS_BASE = f"{MOSTLY} with this base"
PARTS = {
    "mesh_id": "mesh",
    "strokes": "strokes",
    UNDERBASE[0]: "base",
    UNDERBASE[1]: "mesh of the base",
    UNDERBASE[2]: "strokes of the base",
    "press_id": "press",
    **{s.name: s.label for s in SETTINGS},
}
_NUMBERS = {"strokes", "flash_count", UNDERBASE[2], *SETTING_COLUMNS}
_SCREEN = ["mesh_id", "strokes", "flash_count"]
Source = tuple[str, str]  # what says how it is usually, and on which garments


class Filled(NamedTuple):
    """Columns that were left out, and what says how they are usually."""

    columns: tuple[str, ...]
    source: str
    on: str = ""  # the garments by which the shop's prints tell it


def completed(
    rows: list[dict[str, str]], workspace: Workspace, shop: str
) -> tuple[list[dict[str, str]], str | None, list[str]]:
    """Set-ups (column -> text) as they are to be predicted, what was filled in by what, and what
    is wrong in the presets.

    Those that leave out mesh or strokes, or those of a base they name, get what is usual
    (:class:`Usual`); ``none`` for a base is no base.
    """
    if all(row.keys() >= SCREEN and not _half_a_base(row) for row in rows):
        return [without_none(row) for row in rows], None, []
    usual = usual_in(workspace, shop)
    full, fills = [], []
    for row in rows:
        cells, filled = usual.completed(row)
        full.append(cells)
        fills += filled
    return full, said(fills), usual.faults


def usual_in(workspace: Workspace, shop: str) -> Usual:
    """How a shop usually prints, by its tables as they are now."""
    from pipelines.ledger import store  # slow to import, and seldom needed

    return Usual(store.read(workspace.database(shop)))


def without_none(cells: dict[str, str]) -> dict[str, str]:
    """The cells without a base where they say ``none`` for its ink."""
    if cells.get(UNDERBASE[0], "").strip().casefold() in NO_BASE:
        return {column: text for column, text in cells.items() if column not in UNDERBASE}
    return cells


def _half_a_base(cells: dict[str, str]) -> bool:
    """Whether a base is named, and its mesh or strokes are left out."""
    full = without_none(cells)
    return bool(full.get(UNDERBASE[0])) and not all(map(full.get, UNDERBASE))


def said(fills: Iterable[Filled]) -> str | None:
    """``mesh and strokes: [usual.dark] of shop.toml``; None where nothing was filled in.

    >>> said([Filled(("mesh_id",), "what the shop mostly does", on) for on in ("G1", "G2", "G1")])
    'mesh: what the shop mostly does on G1 and G2'
    """
    on: dict[tuple[tuple[str, ...], str], dict[str, None]] = {}
    for columns, source, garments in fills:
        on.setdefault((columns, source), {})[garments] = None
    told = [
        f"{_listed([PARTS[c] for c in columns])}: {source}"
        + "".join(f" on {where}" for where in [_listed([g for g in garments if g])] if where)
        for (columns, source), garments in on.items()
    ]
    return "; ".join(told) or None


class Usual:
    """How a shop usually prints: presets of ``shop.toml`` first, then what it mostly does.

    What is wrong in the presets is left aside; ``faults`` tells it.
    """

    def __init__(self, given: Given) -> None:
        from pipelines.tables.folder import known_in
        from pipelines.tables.presets import read_presets

        self.given, self._known = given, known_in(given.tables)
        self._presets = read_presets(given.shop_toml, self._known, found := Findings())
        self.faults = [f"{problem} Left aside." for problem in found.problems]

    def completed(self, cells: dict[str, str]) -> tuple[dict[str, str], list[Filled]]:
        """A set-up that names ink and garment, with mesh, strokes, base, press and settings
        where they are left out. One that names mesh and strokes gets those of a base it names,
        and is left as it is otherwise.
        """
        given = cells.keys() >= SCREEN
        if not {"ink_id", "substrate_id"} <= cells.keys() or (given and not _half_a_base(cells)):
            return without_none(cells), []
        names = self._known["substrates"]
        found = found_in(cells["substrate_id"], names, table="setups", column="substrate_id")
        if len(found) != 1:
            return self._in_its_place(without_none(cells)), []
        preset, titles = self.preset([found[0]])
        if cells.get(UNDERBASE[0], "").strip().casefold() not in ("", *NO_BASE):
            of_base = self._of_base(cells, found[0], names.called(found[0]))
            if of_base is None:  # it alone will be told as wrong
                return self._in_its_place(cells), []
        else:
            of_base = {}, {}
        if given:
            return _with_its_base(cells, preset, titles, *of_base)
        inks = found_in(cells["ink_id"], self._known["inks"], table="setups", column="ink_id")
        mostly, by = self._mostly(
            [found[0]],
            inks,
            names.called(found[0]),
            cells.get("press_id") or preset.get("press_id"),
        )
        usual, by = _texts(mostly) | of_base[0], by | of_base[1]
        full, by_preset, by_history = _filled(cells, preset, usual)
        fills = []
        if by_preset:
            fills.append(Filled(tuple(by_preset), f"{' and '.join(titles)} of shop.toml"))
        if "mesh_id" in cells:  # then the strokes are those of no print
            by.pop("strokes", None)
        sources = [by.get(column, (MOSTLY, "")) for column in by_history]
        for source in dict.fromkeys(sources):
            own = [c for c, of in zip(by_history, sources, strict=True) if of == source]
            fills.append(Filled(tuple(own), *source))
        return full, fills

    def _of_base(
        self, cells: dict[str, str], garment: str, label: str
    ) -> tuple[dict[str, str], dict[str, Source]] | None:
        """Through which mesh and how often the base that is named is mostly printed, on this
        garment where that was often, and by what; nothing where it never was. None where it is no
        ink."""
        found = [
            found_in(cells.get(column, ""), self._known[table], table="setups", column=column)
            for column, table in zip(UNDERBASE[:2], ("inks", "meshes"), strict=True)
        ]
        if not found[0]:
            return None
        laid, here = self._laid(found[0], [garment], found[1] if cells.get(UNDERBASE[1]) else None)
        by = dict.fromkeys(laid, (THIS_BASE, label if here else ""))
        return {c: f"{v:g}" if isinstance(v, float) else v for c, v in laid.items()}, by

    def _laid(
        self, bases: list[str], garments: list[str], meshes: list[str] | None
    ) -> tuple[dict[str, Any], bool]:
        """Through which mesh, of some if these are told, and how often a base is mostly printed,
        typed, nothing where it never was; and whether prints on these very garments say so."""
        prints = self.shop.prints
        over = prints[prints[UNDERBASE[0]].isin(bases)]
        if meshes is not None:
            over = over[over[UNDERBASE[1]].isin(meshes)]
        own = over[over["substrate_id"].isin(garments)]
        here = own if len(own) >= FEWEST else over
        commonest = here[UNDERBASE[1:]].dropna().value_counts()
        if commonest.empty:
            return {}, False
        mesh, strokes = commonest.index[0]
        return {UNDERBASE[1]: str(mesh), UNDERBASE[2]: float(strokes)}, here is own

    def preset(self, garments: list[str]) -> tuple[dict[str, str], list[str]]:
        """What the presets say alike of all these garments, as text; and which say it."""
        from pipelines.tables.presets import preset_for

        if not self._presets:
            return {}, []
        each = [preset_for(self._presets, one, self._lightness[one]) for one in garments]
        alike = {
            column: text
            for column, text in (each[0][0] if each else {}).items()
            if all(cells.get(column) == text for cells, _ in each)
        }
        return alike, list(dict.fromkeys(title for _, titles in each for title in titles))

    def setup(
        self,
        garments: list[str],
        inks: Sequence[str] = (),
        base: str | None = None,
        base_mesh: str | None = None,
    ) -> tuple[dict[str, Any], str | None]:
        """How a job on all these garments is usually printed with any of these inks, typed as
        `usual_setup` gives it; and what of it the presets say. The mesh and strokes of a base are
        those of ``base`` through ``base_mesh``, where these are told and it was printed so."""
        usual, _ = self._mostly(garments, inks)
        told, by_preset = self.typed_preset(garments)
        laid, _ = self._laid([base or ""], garments, [base_mesh] if base_mesh else None)
        laid = {c: v for c, v in laid.items() if c not in told}
        if "strokes" in told:
            told = {"flash_count": 0.0} | told
        if told.get(UNDERBASE[0]):
            told = {UNDERBASE[1]: usual[UNDERBASE[1]], UNDERBASE[2]: None} | told
        return usual | told | laid, by_preset

    def typed_preset(
        self, garments: list[str], only: Collection[str] | None = None
    ) -> tuple[dict[str, Any], str | None]:
        """What the presets say alike of all these garments, of ``only`` these columns, typed, None
        for none; and a sentence of it."""
        cells, titles = self.preset(garments)
        cells = {c: text for c, text in cells.items() if only is None or c in only}
        by = Filled(tuple(c for c in cells if c in PARTS), f"{' and '.join(titles)} of shop.toml")
        return {
            c: (float(text) if c in _NUMBERS else text) if text else None
            for c, text in cells.items()
        }, said([by] if cells else [])

    def _in_its_place(self, cells: dict[str, str]) -> dict[str, str]:
        """Any screen for a garment that is not understood: it alone will be told as wrong."""
        any_screen = next(iter(self._known["meshes"]))
        return {"mesh_id": any_screen, "strokes": "1"} | cells

    def _mostly(
        self, garments: list[str], inks: Sequence[str], label: str = "", press: str | None = None
    ) -> tuple[dict[str, Any], dict[str, Source]]:
        """What is mostly done on these garments with inks of a type, or on the dark or light ones
        where they were seldom printed on, typed; and by which prints, of every column.

        Where there are few prints on these too, what they all have alike, else what is mostly
        done on any garment. What is set at a ``press`` is as it mostly is there.
        """
        from learn.planning.plan import usual_setup
        from pipelines.tables.presets import DARK_BELOW_L

        types = self.shop.inks.set_index("ink_id")["ink_type"].astype(object)
        prints, of = self.of_type(inks), ""
        if type_new := prints.empty and len(self.shop.prints) > 0:
            prints = self.shop.prints
        elif len(prints) < len(self.shop.prints):
            of = f" with {type_words(types[inks[0]])} inks"
        alike, on = garments, label
        own = prints[prints["substrate_id"].isin(garments)]
        if len(own) < FEWEST:
            dark = {self._lightness[one] < DARK_BELOW_L for one in garments}
            alike = [g for g, L in self._lightness.items() if (L < DARK_BELOW_L) in dark]
            on = " and ".join(f"{'dark' if one else 'light'} garments" for one in sorted(dark))
        here = prints[prints["substrate_id"].isin(alike)]
        presses = self._known["presses"]
        at = found_in(press, presses, table="setups", column="press_id") if press else []
        usual = usual_setup(prints, alike, *at[:1])
        by = dict.fromkeys(usual, (MOSTLY + of, on if len(here) >= FEWEST else ""))
        if len(here) < FEWEST:
            for rows, where in ((here, on), (own, label)):  # what its own have alike is nearer
                told = agreed(rows)
                if at:  # what is set there others do not say
                    told = {c: v for c, v in told.items() if c not in AT_PRESS}
                usual |= told
                by |= dict.fromkeys(told, (f"all {len(rows)} prints{of}", where))
        base = usual[UNDERBASE[0]]
        if type_new and base is not None and types.get(base) != types[inks[0]]:
            # how it takes to a base of another type no print tells
            usual |= dict.fromkeys(UNDERBASE)
            none = f"none, as no {type_words(types[inks[0]])} ink was printed yet"
            by |= dict.fromkeys(UNDERBASE, (none, ""))
        return usual, by

    def of_type(self, inks: Sequence[str]) -> pd.DataFrame:
        """The prints that say how ``inks`` are usually printed: those of their type, where all are
        of one and it is known, and those of which it is not."""
        types = self.shop.inks.set_index("ink_id")["ink_type"].astype(object)
        prints, asked = self.shop.prints, set(types.reindex(list(inks)))
        if len(asked) != 1 or None in asked:
            return prints
        of = types.reindex(prints["ink_id"])
        return prints[(of.isna() | of.isin(asked)).to_numpy()]

    @cached_property
    def shop(self) -> Shop:
        """The shop's tables, typed."""
        from pipelines.tables.folder import to_shop

        return to_shop(self.given)

    @cached_property
    def _lightness(self) -> dict[str, float]:
        """L* of every bare garment."""
        from learn.colour.colorimetry import viewing
        from learn.physics.drawdowns import lab_columns

        shop = self.shop
        cloths = shop.substrates[shop.substrates["kind"] == "garment"]
        lab = lab_columns(cloths, viewing(shop.settings.illuminant, shop.settings.observer))
        return dict(zip(cloths["substrate_id"], lab[:, 0].tolist(), strict=True))


def with_strokes(usual: Mapping[str, Any], strokes: object) -> dict[str, Any]:
    """What is usual where so many strokes are printed: if others are usual, not their flashes."""
    alike = usual.get("strokes") == strokes
    return {c: told for c, told in usual.items() if alike or c != "flash_count"}


def agreed(prints: pd.DataFrame) -> dict[str, Any]:
    """What all of these prints have alike, of three and more: screen, base, press, settings.

    A base is one where its ink is; through which mesh and how often is the commonest then.
    """
    import pandas as pd

    found: dict[str, Any] = {}
    if len(prints) < ALIKE:
        return found
    for columns in (_SCREEN, UNDERBASE, *([c] for c in ("press_id", *SETTING_COLUMNS))):
        cells = prints.reindex(columns=columns)
        if len(cells[columns[:1] if columns is UNDERBASE else columns].drop_duplicates()) == 1:
            commonest = cells.value_counts(dropna=False).index[0]
            if columns is UNDERBASE or pd.notna(commonest[0]):  # else it was not written down
                known = [None if pd.isna(one) else one for one in commonest]
                found |= dict(zip(columns, known, strict=True))
    return found


def _with_its_base(
    cells: dict[str, str],
    preset: dict[str, str],
    titles: list[str],
    usual: dict[str, str],
    by: dict[str, Source],
) -> tuple[dict[str, str], list[Filled]]:
    """The cells with mesh and strokes of the base they name, and what says so: presets (their
    ``titles``) first, then what is ``usual`` ``by`` the shop's prints."""
    full, told = dict(cells), dict[Source, list[str]]()
    for column in UNDERBASE[1:]:
        text = preset.get(column) or usual.get(column)
        if text and not full.get(column):
            full[column] = text
            of_preset = (f"{' and '.join(titles)} of shop.toml", "")
            told.setdefault(of_preset if preset.get(column) else by[column], []).append(column)
    return full, [Filled(tuple(columns), *source) for source, columns in told.items()]


def _texts(usual: dict[str, Any]) -> dict[str, str]:
    """A usual set-up as text; no base is an empty one, what is not known is left out."""
    import pandas as pd

    told = {c: f"{v:g}" if isinstance(v, float) else v for c, v in usual.items() if pd.notna(v)}
    return (dict.fromkeys(UNDERBASE, "") if UNDERBASE[0] not in told else {}) | told


def _filled(
    cells: dict[str, str], preset: dict[str, str], usual: dict[str, str]
) -> tuple[dict[str, str], list[str], list[str]]:
    """The cells with what was left out, and the columns filled by preset and by history."""
    full = dict(cells)
    by_preset: list[str] = []
    by_history: list[str] = []
    if full.get(UNDERBASE[0], "").strip().casefold() in NO_BASE:
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
        if source.get(first) or (first == UNDERBASE[0] and first in source):  # empty: no base
            full |= {c: source[c] for c in (first, *others) if c in source and c not in full}
            told.append(first)
    if full.get(UNDERBASE[0]) and not full.get(UNDERBASE[1]) and usual.get(UNDERBASE[1]):
        full[UNDERBASE[1]] = usual[UNDERBASE[1]]
        by_history.append(UNDERBASE[1])
    return {c: v for c, v in full.items() if v != ""}, by_preset, by_history


def _listed(words: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(words[:-1]), *words[-1:]]))
