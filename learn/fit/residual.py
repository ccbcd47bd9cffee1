"""What physics leaves over, and why it may: the terms of the residual model with their priors."""

from __future__ import annotations

from learn.gp.terms import Term
from learn.process import SETTINGS, Setting

# Degrees of freedom of batches of ink: the heaviest tails that still have a variance.
LOT_TAILS = 3.0
# Log of how many times as strong as usual a lot may be: what seems stronger, or as weak, is another
# ink under its name. Assumption, no source.
LOT_MOST = 0.7
# The tails of presses: most stand still, one drifts.
PRESS_TAILS = 3.0
# Those of inks about their drawdowns, while few prints tell of them.
INK_TAILS = 4.0
PROCESS = ("log_volume", "wet_strokes", "flashes")


def terms_of(setting: Setting) -> list[Term]:
    """What a setting gets on each latent it may move: a straight line, and a curve about it."""
    column, terms, usual = (setting.name,), [], setting.usual / setting.step
    for latent, line, curve, slope in setting.effects:
        name = f"{latent.replace('_', ' ')}: {setting.label}"
        terms += [
            Term(
                f"{name}, line",
                latent,
                line,
                smooth=column,
                linear=True,
                slope=slope,
                centre=usual,
            ),
            Term(name, latent, curve, smooth=column, lengths=(1.5,), growing=True, points=9),
        ]
    return terms


# Prior medians of how much each cause moves a print. Wide (Term.spread)
# and settled by the history; orders of magnitude: common practice, no source.
TERMS = [
    Term("film: ink", "film", 0.10, levels="ink"),
    Term("film: process", "film", 0.08, smooth=PROCESS, lengths=(2.0, 2.0, 2.0), growing=True),
    # What a screen holds is a few per cent off its sheet: its own, and no bend of the curve.
    Term("film: mesh", "film", 0.05, levels="mesh"),
    # A screen whose stencil nobody wrote down holds as much more or less as stencils differ by.
    Term(
        "film: stencil not told", "film", 1.0, smooth=("stencil_um_off",), untold=True, spread=0.3
    ),
    # And where nobody wrote down whether strokes were flashed, others than usual may have been.
    Term("film: flashes not told", "film", 1.0, smooth=("flashes_off",), untold=True),
    # Through which mesh a base went often stands nowhere, and meshes of bases differ by so much.
    Term(
        "base film: mesh not told",
        "base_film",
        1.0,
        smooth=("base_volume_off",),
        where="based",
        untold=True,
        spread=0.3,
    ),
    # Strokes of a base are mostly one or two, and one is taken.
    Term(
        "base film: strokes not told",
        "base_film",
        0.5,
        smooth=("base_strokes_off",),
        where="based",
        untold=True,
    ),
    *(term for setting in SETTINGS for term in terms_of(setting)),
    Term(
        "film: blade on mesh",
        "film",
        0.03,
        smooth=("log_volume", "squeegee_shore_a"),
        lengths=(1.5, 1.5),
    ),
    Term(
        "film: ink on mesh",
        "film",
        0.04,
        levels="ink",
        smooth=("log_volume",),
        lengths=(2.0,),
        points=5,
    ),
    # A few presses, and months without drift, say little of the next: these priors hold. A press
    # that drifts lays a tenth more or less within some months, and does so until it is mended.
    # After a recorded change (levels "era") a press lays what ink it may, as one never seen; from a
    # day on that the prints tell of alone (levels "stretch") as well, but what moves it by and by
    # goes on.
    Term("film: press", "both_films", 0.08, levels="stretch", spread=0.3, tails=PRESS_TAILS),
    Term(
        "film: press, drift",
        "both_films",
        0.06,
        levels="era",
        smooth=("day_of_era",),
        lengths=(5.0,),
        drifting=True,
        points=20,
        spread=0.3,
        tails=PRESS_TAILS,
    ),
    Term(
        "film: press over time",
        "both_films",
        0.05,
        levels="era",
        smooth=("day_of_era",),
        lengths=(4.0,),
        rough=True,
        points=20,
        spread=0.3,
        tails=PRESS_TAILS,
    ),
    Term("film: top against base, press", "film", 0.03, levels="era"),
    Term("film: garment", "film", 0.03, levels="substrate"),
    Term("film: fibre", "film", 0.05, levels="fibre", where="bare"),
    Term("base film: ink", "base_film", 0.08, levels="base_ink", where="based"),
    Term("base film: mesh", "base_film", 0.05, levels="base_mesh", where="based"),
    # Cloth takes up some of the base, one more than another.
    Term("base film: garment", "base_film", 0.10, levels="substrate", where="based"),
    Term(
        "base film: process",
        "base_film",
        0.08,
        smooth=("log_base_volume", "base_strokes"),
        lengths=(2.0, 2.0),
        where="based",
        points=12,
    ),
    # Most batches of an ink are alike, and some are a quarter off and turned in hue.
    Term("strength: lot", "strength", 0.05, levels="lot", where="of_lot", tails=LOT_TAILS),
    Term("tilt: lot", "tilt", 0.02, levels="lot", where="of_lot", tails=LOT_TAILS),
    Term("bow: lot", "bow", 0.02, levels="lot", where="of_lot", tails=LOT_TAILS),
    Term("scattering: lot", "scattering", 0.03, levels="lot", where="of_lot", tails=LOT_TAILS),
    Term("wet-out: garment", "wet_out", 0.30, levels="substrate"),
    Term("wet-out: fibre", "wet_out", 0.30, levels="fibre"),
    Term("soak: garment", "soak", 0.20, levels="substrate", where="bare"),
    Term("soak: fibre", "soak", 0.30, levels="fibre", where="bare"),
    Term("soak: ink type", "soak", 0.30, levels="ink_type", where="bare"),
    Term("soak: ink", "soak", 0.15, levels="ink", where="bare"),
    # The first of a film may sink in all but whole, or half of it stay up.
    Term("soak: film", "soak", 0.30, smooth=("log_film",), linear=True, where="bare"),
    Term(
        "discharge: film", "discharge", 0.25, smooth=("log_film",), linear=True, where="discharged"
    ),
    Term("discharge: fibre", "discharge", 1.00, levels="fibre", where="discharged"),
    Term("discharge: garment", "discharge", 1.00, levels="substrate", where="discharged"),
    Term("discharge: ink", "discharge", 0.50, levels="ink", where="discharged"),
    # Polyester lets go of its dye where cotton holds it, and one dyer's more than another's.
    Term("migration: fibre", "migration", 0.70, levels="fibre"),
    Term("migration: garment", "migration", 0.40, levels="substrate"),
    # Rough cloth tears a film, and a base over it.
    Term("uneven: garment", "uneven", 0.25, levels="substrate", spread=0.3),
    Term("uneven: fibre", "uneven", 0.20, levels="fibre", spread=0.3),
    Term("haze: ink", "haze", 0.30, levels="ink"),
    Term("fibres: garment", "fibres", 0.40, levels="substrate"),
    # Nap on top of ink on bare cloth sends back light; a base lays it flat.
    Term("haze: garment", "haze", 0.20, levels="substrate", where="bare"),
    Term("free: all inks", "free", 0.15),
    Term("free: ink", "free", 0.30, levels="ink"),
    Term("free: garment, bare", "free", 0.30, levels="substrate", where="bare"),
    Term("free: garment, based", "free", 0.15, levels="substrate", where="based"),
    Term("free: press", "free", 0.10, levels="press"),
    # By ink only: what the physics misses on one ink does not carry over to the next (a term
    # shared over inks made unseen inks worse on generated shops and on real overprints).
    Term(
        "free: ink on ground",
        "free",
        0.30,
        levels="ink",
        smooth=("log_film", "back_L", "back_a", "back_b"),
        lengths=(2.0, 2.0, 2.0, 2.0),
        points=40,
    ),
]
