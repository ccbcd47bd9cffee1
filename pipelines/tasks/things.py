"""What the shop has, a row a thing: inks, garments, screens, presses, jobs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from learn.errors import Unusable
from pipelines.tables.names import Phrase
from pipelines.words.common import date, known_by

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from learn.shop import Shop
    from pipelines.registry.opened import Opened

KINDS = ("inks", "garments", "screens", "presses", "jobs")


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
    top, base = (shop.prints[c].value_counts() for c in ("ink_id", "underbase_ink_id"))
    drawn = set(shop.drawdowns["ink_id"])
    found = _counted(found, top, {one: one in drawn for one in inks["ink_id"]}, base)
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
    top, base = (shop.prints[c].value_counts() for c in ("mesh_id", "underbase_mesh_id"))
    return _counted(found, top, base=base)


def _presses(shop: Shop) -> pd.DataFrame:
    """Prints of a press are those since its last change, which is told."""
    import pandas as pd

    from learn.fit.eras import last_changes, presses_of

    others = pd.Index(shop.prints["press_id"].dropna().unique()).sort_values()
    others = others.difference(shop.presses["press_id"]).to_frame(index=False, name="press_id")
    presses = pd.concat([shop.presses.astype(object), others]).reset_index(drop=True)
    last = last_changes(shop.changes)
    since = [
        f"since its change of {date(last[one])}" if one in last else ""
        for one in presses["press_id"]
    ]
    found = _described(presses, "press_id", "press_name").assign(type=since)
    found = _counted(found, presses_of(shop).value_counts())
    none = (found["type"] != "") & (found["prints"] == 0)
    return found.assign(known=found["known"].mask(none, "not printed since"))


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
    found: pd.DataFrame,
    n: pd.Series,
    drawn: Mapping[str, bool] | None = None,
    base: pd.Series | None = None,
) -> pd.DataFrame:
    """With ``prints``, and how many of them were in the ``base``; ``n``: on top."""
    prints = found["id"].map(n).fillna(0).astype(int)
    if base is not None:
        beneath = found["id"].map(base).fillna(0).astype(int)
        prints = prints + beneath
        found = found.assign(as_base=beneath)
    known = [
        known_by(count, None if drawn is None else drawn[one])
        for one, count in zip(found["id"], prints, strict=True)
    ]
    return found.assign(prints=prints, known=known)


def with_words(listed: pd.DataFrame, word: str) -> pd.DataFrame:
    """The rows that have all words of ``word``, by their beginnings, or that text in them."""
    if not word.strip():
        return listed
    columns = [c for c in ("id", "name", "aliases", "type") if c in listed]
    text, asked = listed[columns].agg(" ".join, axis=1), Phrase.of(word)
    has = [asked.begins(Phrase.of(t)) or word.casefold() in t.casefold() for t in text]
    return listed[has]
