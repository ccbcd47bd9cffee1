"""How a bare garment looks on a screen."""

from __future__ import annotations

from collections.abc import Iterable

from learn.colour.colorimetry import lab_from_reflectance, srgb_hex
from pipelines.registry.opened import Opened


def cloth_fills(opened: Opened, garments: Iterable[str]) -> dict[str, str]:
    """Garment -> its colour as #rrggbb; those the model was told of."""
    encoder, view = opened.model.encoder_, opened.model.viewing_
    known = [one for one in dict.fromkeys(garments) if one in encoder.substrates.index]
    if not known:
        return {}
    lab = lab_from_reflectance(
        encoder.substrate_r[encoder.substrates.index.get_indexer(known)], view
    )
    return dict(zip(known, srgb_hex(lab, view).tolist(), strict=True))
