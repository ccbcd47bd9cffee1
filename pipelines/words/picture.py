"""What a customer reads beside a picture, and what is said of artwork that cannot be shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipelines.words.common import counted
from pipelines.words.compare import side_by_side
from pipelines.words.prediction import known

HEADING = "How it is expected to look"
NOT_A_PROOF = "On screen, not a proof."
ABOUT_SCREENS = (
    "Every screen and every office printer shows colours its own way, cloth has a texture that no "
    "screen has, and no two prints are quite alike. What counts is a print in your hand, in the "
    "light it will be seen in."
)
TEST_FIRST = (
    "We will show you a test print of this first: it may come out noticeably different from what "
    "you see here."
)
FEW = 6  # colours; more look like a photograph


def ink_name(row: Mapping) -> str:
    """What the shop calls an ink; without a name its identifier."""
    return str(known(row, "ink_name") or row["ink_id"])


def garment_name(row: Mapping) -> str:
    """A garment's colour and fibre; without a colour its identifier."""
    words = [known(row, "colour_name") or row["substrate_id"], known(row, "fibre")]
    return ", ".join(str(word) for word in words if word)


def ways(rows: Sequence[Mapping]) -> list[str]:
    """How each print of one garment is made, as far as a customer may care: its base; and what
    differs where one ink is shown twice."""
    said = []
    for row in rows:
        alike = [other for other in rows if other["ink_id"] == row["ink_id"]]
        if len(alike) > 1:
            labels = side_by_side(alike).labels
            said.append(next(w for w, one in zip(labels, alike, strict=True) if one is row))
        elif known(row, "underbase_ink_id") is not None:
            said.append(f"over {known(row, 'underbase_ink_name') or row['underbase_ink_id']}")
        else:
            said.append("")
    return said


def not_mapped(colours: Sequence[tuple[str, float]]) -> str:
    """What is wrong with artwork in ``colours`` (hex without #, share of the area), the most
    frequent first, of which nobody has said what prints them."""
    listed = [f"#{code} ({_share(share)} of the area)" for code, share in colours]
    *first, last = listed
    return f"nobody has said what prints {', '.join(first)}{' and ' if first else ''}{last}"


def how_to_map(code: str, colours: int) -> str:
    """What to do about so many colours, ``code`` the first."""
    if colours > FEW:
        return (
            "draw the artwork in flat colours, for a photograph or shades cannot be shown, and map "
            f"each as --map {code}=INK or --map {code}=garment"
        )
    return f"add --map {code}=INK, or --map {code}=garment{', for each' if colours > 1 else ''}"


def blended(share: float) -> str:
    """A note on artwork much of which lies between two colours."""
    return (
        f"{_share(share)} of the artwork lies between two colours, as shades or soft edges do: it "
        "is shown as a mixture of both, but only solid areas are predicted."
    )


def left_over(share: float) -> str:
    """A note on the few pixels that are shown as the nearest thing."""
    return (
        f"{_share(share)} of the artwork, in corners and thin lines, is neither a mapped colour "
        "nor an edge between two; it is shown as the nearest."
    )


def absent(codes: Sequence[str], file: str) -> str:
    """A note on mapped colours that the artwork does not hold."""
    listed = ", ".join(f"#{code}" for code in codes)
    return f"{file} has no {listed}: {counted(len(codes), '--map')} not used."


def _share(share: float) -> str:
    if share < 0.001:
        return "under 0.1 %"
    return f"{100 * share:.1f} %" if share < 0.1 else f"{100 * share:.0f} %"
