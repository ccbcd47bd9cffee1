"""``strikeoff list``: what the shop has, by name: inks, garments, screens, presses, jobs."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.commands._options import add_command, add_shop
from pipelines.tables.names import Phrase
from pipelines.words.common import known_by
from pipelines.workspace.files import refuse_outputs, write_text
from pipelines.workspace.folders import Workspace
from pipelines.workspace.problems import UserError
from pipelines.workspace.progress import tell

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from learn.colour.colorimetry import Viewing
    from learn.shop import Shop
    from pipelines.registry.opened import Opened

KINDS = ("inks", "garments", "screens", "presses", "jobs")
HEADS = {"id": "id", "name": "name", "type": "type", "covers": "covers", "prints": "prints",
         "known": "how well known"}  # fmt: skip
ABOUT = """\
Lists what the shop has, with what everything is called; with WORD what has it in its id, name,
aliases or type. "covers" is how well an ink hides at the film the shop usually lays: its lightness
over black in percent of that over white, with its 90 % band; from 98 % on nothing shows through
to the eye. It takes a model, as do the colours of inks; all else is there before anything is
learnt.
Colours are shown by terminals that can (COLORTERM=truecolor); NO_COLOR=1 leaves them out.
"""


def add_parser(commands: argparse._SubParsersAction) -> None:
    """Add the parser of this command."""
    add = add_command(
        commands,
        "list",
        "inks, garments, screens, presses or jobs, by name",
        ABOUT,
        ["strikeoff list inks", "strikeoff list inks red", "strikeoff list jobs --out jobs.csv"],
    )
    add.add_argument("kind", choices=KINDS, help="what to list")
    add.add_argument("word", metavar="WORD", nargs="*", help="only what has these words")
    add.add_argument("--out", metavar="FILE.csv", type=Path, help="the list as a table")
    add_shop(add)
    add.set_defaults(run=run)


def run(args: argparse.Namespace, workspace: Workspace) -> int:
    """Run it as it was parsed."""
    word, at = " ".join(args.word), {"workspace": workspace, "shop": args.shop}
    return list_things(args.kind, word, out=args.out, **at)


def list_things(
    kind: str, word: str = "", *, out: Path | None, workspace: Workspace, shop: str | None = None
) -> int:
    """Print the list, or write it to ``out``."""
    from pipelines.ledger import store
    from pipelines.tables import csvfile
    from pipelines.tables.folder import to_shop

    refuse_outputs(out)
    name = workspace.pick(shop)
    data = to_shop(store.read(workspace.database(name)))
    opened = _opened(workspace, name) if kind == "inks" else None
    found = _found(things(kind, data, opened), word)
    if found.empty:
        wanted = f' with "{word}"' if word else ""
        raise UserError(f"Shop {name} has no {kind}{wanted}; strikeoff list {kind} shows all.")
    if out is not None:
        text = found.drop(columns="covers", errors="ignore").map(_cell)
        write_text(out, csvfile.for_people(text))
        print(f"The list is in {out}.")
        return 0
    from learn.colour.colorimetry import viewing

    view = viewing(data.settings.illuminant, data.settings.observer)
    print("\n".join(lines(found, view if shows_colour(sys.stdout.isatty(), os.environ) else None)))
    return 0


def things(kind: str, shop: Shop, opened: Opened | None) -> pd.DataFrame:
    """One row a thing: ``id``, ``name``, ``type`` and the rest of what is known of it."""
    make = {"garments": _garments, "screens": _screens, "presses": _presses, "jobs": _jobs}
    return _inks(shop, opened) if kind == "inks" else make[kind](shop)


def _inks(shop: Shop, opened: Opened | None) -> pd.DataFrame:
    import numpy as np
    import pandas as pd

    inks = shop.inks
    base = inks["role"] == "underbase"
    found = _described(inks, "ink_id", "ink_name").assign(
        type=inks["ink_type"].fillna("").str.replace("_", "-")
        + base.map({True: ", base"}).fillna("")
    )
    found = found.assign(covers="", opacity_pct=np.nan, opacity_lo=np.nan, opacity_hi=np.nan)
    n = shop.prints["ink_id"].value_counts()
    n = n.add(shop.prints["underbase_ink_id"].value_counts(), fill_value=0)
    drawn = set(shop.drawdowns["ink_id"])
    found = _counted(found, n, {one: one in drawn for one in inks["ink_id"]})
    found[[*"Lab"]] = np.nan
    if opened is None:
        return found
    from learn.planning.opacity import opacity
    from learn.planning.plan import usual_setup

    there = found["id"].isin(opened.model.encoder_.inks.index)
    if there.any():
        found.loc[there, [*"Lab"]] = opened.model.buckets(found.loc[there, "id"].tolist())[0]
    try:
        ratios = opacity(opened.model, usual_setup(shop.prints, [])).set_index("ink_id")
    except Unusable:  # no usual screen yet
        return found
    columns = {"opacity_pct": "contrast_ratio", "opacity_lo": "lo", "opacity_hi": "hi"}
    for column, source in columns.items():
        found[column] = 100 * found["id"].map(ratios[source])
    covers = [
        "" if pd.isna(middle) else f"{middle:.0f} % ({low:.0f} to {high:.0f})"
        for middle, low, high in found[list(columns)].to_numpy()
    ]
    return found.assign(covers=covers)


def _garments(shop: Shop) -> pd.DataFrame:
    from learn.colour.colorimetry import viewing
    from learn.physics.drawdowns import lab_columns

    cloths = shop.substrates[shop.substrates["kind"] == "garment"].reset_index(drop=True)
    found = _described(cloths, "substrate_id", "colour_name").assign(
        type=cloths["fibre"].fillna("")
    )
    found = _counted(found, shop.prints["substrate_id"].value_counts())
    view = viewing(shop.settings.illuminant, shop.settings.observer)
    found[[*"Lab"]] = lab_columns(cloths, view)
    return found


def _screens(shop: Shop) -> pd.DataFrame:
    meshes = shop.meshes
    thread = meshes["thread_um"].map(lambda um: f", {um:g} um thread" if um > 0 else "")
    count = meshes["threads_per_cm"].map("{:g} threads/cm".format)
    found = _described(meshes, "mesh_id").assign(type=count + thread)
    n = shop.prints["mesh_id"].value_counts()
    return _counted(found, n.add(shop.prints["underbase_mesh_id"].value_counts(), fill_value=0))


def _presses(shop: Shop) -> pd.DataFrame:
    import pandas as pd

    n = shop.prints["press_id"].value_counts().sort_index()
    others = n.index.difference(shop.presses["press_id"]).to_frame(index=False, name="press_id")
    presses = pd.concat([shop.presses.astype(object), others]).reset_index(drop=True)
    return _counted(_described(presses, "press_id", "press_name"), n)


def _jobs(shop: Shop) -> pd.DataFrame:
    import pandas as pd

    inks = _called(shop.inks, "ink_id", "ink_name")
    cloths = _called(shop.substrates, "substrate_id", "colour_name")
    rows = []
    for job, prints in shop.prints.dropna(subset=["job_id"]).groupby("job_id"):
        days = pd.to_datetime(prints["printed_on"]).dropna()
        day = f"{days.max():%Y-%m-%d}" if len(days) else ""
        top = ", ".join(prints["ink_id"].map(inks).dropna().unique())
        on = ", ".join(prints["substrate_id"].map(cloths).dropna().unique())
        rows.append((str(job), f"{top} on {on}", day, len(prints)))
    return pd.DataFrame(rows, columns=["id", "name", "type", "prints"])


def _called(frame: pd.DataFrame, key: str, name: str) -> pd.Series:
    """What each thing is called; its identifier where it has no name."""
    return frame.set_index(key)[name].fillna(frame.set_index(key).index.to_series())


def _described(frame: pd.DataFrame, key: str, name: str | None = None) -> pd.DataFrame:
    """Identifier, name and aliases; the type is to be filled in."""
    import pandas as pd

    text = frame.reindex(columns=[key, *([name] if name else []), "aliases"]).fillna("")
    called = text[name] if name else ""
    return pd.DataFrame(
        {"id": text[key], "name": called, "aliases": text["aliases"], "type": ""}
    ).astype(object)


def _counted(
    found: pd.DataFrame, n: pd.Series, drawn: Mapping[str, bool] | None = None
) -> pd.DataFrame:
    prints = found["id"].map(n).fillna(0).astype(int)
    known = [
        known_by(count, None if drawn is None else drawn[one])
        for one, count in zip(found["id"], prints, strict=True)
    ]
    return found.assign(prints=prints, known=known)


def _found(found: pd.DataFrame, word: str) -> pd.DataFrame:
    """The rows that have all words of ``word``, by their beginnings, or that text in them."""
    if not word.strip():
        return found
    columns = [c for c in ("id", "name", "aliases", "type") if c in found]
    text, asked = found[columns].agg(" ".join, axis=1), Phrase.of(word)
    has = [asked.begins(Phrase.of(t)) or word.casefold() in t.casefold() for t in text]
    return found[has]


def shows_colour(terminal: bool, environment: Mapping[str, str]) -> bool:
    """Whether true colours are shown: a terminal that says it can, and nobody who wants none.

    >>> shows_colour(True, {"COLORTERM": "truecolor"}), shows_colour(True, {})
    (True, False)
    >>> shows_colour(True, {"COLORTERM": "truecolor", "NO_COLOR": "1"})
    False
    """
    able = environment.get("COLORTERM", "").lower() in ("truecolor", "24bit")
    return terminal and able and not environment.get("NO_COLOR")


def lines(found: pd.DataFrame, view: Viewing | None) -> list[str]:
    """The list as lines of text; with the viewing condition, a swatch before each colour."""
    columns = [c for c in HEADS if c in found and (found[c].astype(str) != "").any()]
    text = found[columns].astype(str)
    wide = {c: max(len(HEADS[c]), int(text[c].str.len().max())) for c in columns}
    rows = [HEADS, *text.to_dict("records")]
    swatches = [""] * len(rows)
    if view is not None and "L" in found:
        swatches = ["      ", *map(_swatch, _hex(found, view))]
    return [
        (swatch + "  ".join(f"{row[c]:<{wide[c]}}" for c in columns)).rstrip()
        for swatch, row in zip(swatches, rows, strict=True)
    ]


def _hex(found: pd.DataFrame, view: Viewing) -> list[str | None]:
    from learn.colour.colorimetry import srgb_hex

    lab = found[[*"Lab"]].to_numpy(float)
    return [str(srgb_hex(row, view)) if row[0] == row[0] else None for row in lab]


def _swatch(colour: str | None) -> str:
    """Four blanks on a colour given as ``#rrggbb``, as terminals of true colour take it."""
    if colour is None:
        return "      "
    r, g, b = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"\x1b[48;2;{r};{g};{b}m    \x1b[0m  "


def _cell(value: object) -> str:
    if isinstance(value, float):
        return "" if value != value else f"{value:.2f}"
    return str(value)


def _opened(workspace: Workspace, name: str) -> Opened | None:
    """The model in charge; None where there is none, or none that can be read, which is told."""
    from pipelines.registry import versions
    from pipelines.registry.opened import open_model

    if versions.in_charge(workspace.models(name)) is None:
        return None
    try:
        return open_model(workspace, name)
    except UserError as error:
        tell([str(error)])
        return None
