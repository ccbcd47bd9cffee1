"""Light in films that scatter and absorb: multi-stream radiative transfer by adding-doubling.

The radiance inside a film is followed along a few directions ("streams") per hemisphere,
averaged over azimuth. A thin starting layer is doubled until the wanted thickness is
reached; layers are then added on top of each other and of the substrate.

Conventions: index ``i, j`` runs over streams with cosine ``mu`` (0..1) and weight ``w``;
a reflection or transmission *operator* acts on a vector of radiances. ``2 mu w . D`` is the
flux of the radiances ``D`` over pi. Arrays are batched over leading axes.

Sources (method): van de Hulst, Multiple Light Scattering, 1980; Wiscombe 1976, J. Quant.
Spectrosc. Radiat. Transfer 16, 637-658 (diamond starting layer); Wiscombe 1977, J. Atmos. Sci.
34, 1408-1422 (delta-M). Formulas written from memory; the tests check them by their physics.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_FILM = 1.5
# Weight of the two added directions: small enough to carry no flux, large enough that
# a beam of unit flux along one of them is still an ordinary number.
BEAM_WEIGHT = 1e-9


def fresnel(cos_in: Array, n_in: float, n_out: float) -> Array:
    """Reflectance of a smooth interface for unpolarised light, 1 at total reflection."""
    sin_out = n_in / n_out * np.sqrt(1.0 - cos_in**2)
    cos_out = np.sqrt(np.clip(1.0 - sin_out**2, 0.0, None))
    r_s = (n_in * cos_in - n_out * cos_out) / (n_in * cos_in + n_out * cos_out)
    r_p = (n_in * cos_out - n_out * cos_in) / (n_in * cos_out + n_out * cos_in)
    return np.where(sin_out >= 1.0, 1.0, 0.5 * (r_s**2 + r_p**2))


@dataclass(frozen=True)
class Streams:
    """Directions in the film. The last two are the 45 degree beam, refracted, and 0 degrees."""

    mu: Array
    w: Array
    order: int  # Legendre terms that the quadrature integrates exactly

    @property
    def flux(self) -> Array:
        return 2.0 * self.mu * self.w

    @property
    def surface(self) -> Array:
        """Internal reflectance of the smooth top surface, film to air, per stream."""
        return fresnel(self.mu, N_FILM, 1.0)


def streams(per_half: int = 4) -> Streams:
    """``2 * per_half`` Gauss streams, split at the critical angle, plus the 45:0 geometry."""
    x, v = np.polynomial.legendre.leggauss(per_half)
    critical = np.sqrt(1.0 - 1.0 / N_FILM**2)
    steep = critical + (1.0 - critical) * (x + 1.0) / 2.0
    flat = critical * (x + 1.0) / 2.0
    entering = np.sqrt(1.0 - 0.5 / N_FILM**2)
    mu = np.concatenate([flat, steep, [entering, 1.0]])
    w = np.concatenate([v * critical / 2.0, v * (1.0 - critical) / 2.0, [BEAM_WEIGHT] * 2])
    return Streams(mu, w, order=2 * per_half)


STREAMS = streams()


def redistribution(g: Array, s: Streams) -> tuple[Array, Array]:
    """Henyey-Greenstein, azimuth average, delta-M: forward and backward ``(..., n, n)``.

    ``g`` is the mean cosine of scattering, shape (...).
    """
    order = np.arange(s.order)
    peak = g[..., None] ** s.order
    moments = (2 * order + 1) * (g[..., None] ** order - peak) / (1.0 - peak)
    legendre = np.polynomial.legendre.legvander(s.mu, s.order - 1)  # (n, order)
    forward = np.einsum("...l,il,jl->...ij", moments, legendre, legendre)
    backward = np.einsum("...l,il,jl->...ij", moments * (-1.0) ** order, legendre, legendre)
    return forward, backward


def thin_layer(
    mu_a: Array, mu_s: Array, g: Array, film_um: Array, s: Streams
) -> tuple[Array, Array]:
    """Diamond starting layer: reflection and transmission ``(..., n, n)``.

    ``mu_a``, ``mu_s`` per um and ``film_um`` share shape (...). The optical thickness must be
    well below the smallest ``mu``.
    """
    eye = np.eye(s.mu.size)
    forward, backward = redistribution(g, s)
    scattering = mu_s * (1.0 - g**s.order)
    half = (film_um / 2.0)[..., None, None] / s.mu[:, None]
    loss = half * (
        (mu_a + scattering)[..., None, None] * eye
        - 0.5 * scattering[..., None, None] * forward * s.w
    )
    back = half * 0.5 * scattering[..., None, None] * backward * s.w
    inner = np.linalg.solve(eye + loss, back)
    gain = np.linalg.inv(eye + loss - back @ inner)
    reflection = 2.0 * gain @ back @ np.linalg.inv(eye + loss)
    return reflection, 2.0 * gain - eye


def double(reflection: Array, transmission: Array) -> tuple[Array, Array]:
    """Two equal layers, one on the other."""
    n = reflection.shape[-1]
    rhs = np.concatenate([transmission, reflection @ transmission], axis=-1)
    between = np.linalg.solve(np.eye(n) - reflection @ reflection, rhs)
    through = transmission @ between
    return reflection + through[..., n:], through[..., :n]


@dataclass(frozen=True)
class Ladder:
    """One ink, any film: operators on a geometric ladder of films, interpolated between.

    ``packed`` is (rung, wavelength, value); ``log_first`` the log2 of the first film in um.
    """

    packed: Array
    log_first: float
    per_octave: int

    def at(self, film_um: Array) -> Array:
        """Values at ``film_um`` (m,): (m, wavelength, value), four-point Lagrange in log film."""
        rungs = self.packed.shape[0]
        position = (np.log2(np.maximum(film_um, 1e-6)) - self.log_first) * self.per_octave
        position = np.clip(position, 0.0, rungs - 1.0)
        start = np.clip(np.floor(position).astype(int) - 1, 0, rungs - 4)
        x = position - start
        weights = (
            -(x - 1) * (x - 2) * (x - 3) / 6,
            x * (x - 2) * (x - 3) / 2,
            -x * (x - 1) * (x - 3) / 2,
            x * (x - 1) * (x - 2) / 6,
        )
        return sum(
            weight[:, None, None] * self.packed[start + k] for k, weight in enumerate(weights)
        )


def layer_ladder(
    mu_a: Array, mu_s: Array, g: Array, *, first_um: float = 0.5, octaves: int = 10, per_octave=4
) -> tuple[Array, Array]:
    """Reflection and transmission (rung, wavelength, n, n) of films ``first_um * 2**(k/4)``."""
    s = STREAMS
    fine = 2.0 ** (np.arange(per_octave) / per_octave)
    below = 10  # doublings spent before the first rung: starting films of first_um / 1024
    film = first_um / 2.0**below * fine[:, None] * np.ones_like(mu_a)
    broad = [np.broadcast_to(v, film.shape) for v in (mu_a, mu_s, g)]
    r, t = thin_layer(*broad, film, s)
    rungs_r, rungs_t = [], []
    for step in range(below + octaves):
        if step >= below:
            rungs_r.append(r)
            rungs_t.append(t)
        r, t = double(r, t)
    return np.concatenate(rungs_r), np.concatenate(rungs_t)


def top_film(mu_a: Array, mu_s: Array, g: Array, **ladder: float) -> Ladder:
    """An ink with its smooth surface to the air, lit at 45 degrees and viewed at 0.

    Packed values: reflectance over black (1), radiance reaching the bottom (n), what upward
    radiance at the bottom contributes to the view (n), reflection seen from below (n * n).
    """
    s = STREAMS
    n = s.mu.size
    r, t = layer_ladder(mu_a, mu_s, g, **ladder)
    source = np.zeros(n)
    source[-2] = 1.0 / s.flux[-2]
    loops = np.linalg.inv(np.eye(n) - r * s.surface)
    up_from_source = loops @ (r @ source)[..., None]
    up_from_below = loops @ t
    down = t @ (source[:, None] + s.surface[:, None] * up_from_source)
    below = r + t @ (s.surface[:, None] * up_from_below)
    entry = 1.0 - fresnel(np.array(np.sqrt(0.5)), 1.0, N_FILM)
    gain = float(entry * (1.0 - fresnel(np.array(1.0), N_FILM, 1.0)) / N_FILM**2)
    packed = np.concatenate(
        [
            gain * up_from_source[..., -1, :],
            down[..., 0],
            gain * up_from_below[..., -1, :],
            below.reshape(*below.shape[:-2], n * n),
        ],
        axis=-1,
    )
    return Ladder(packed, np.log2(ladder.get("first_um", 0.5)), 4)


def buried_film(mu_a: Array, mu_s: Array, g: Array, **ladder: float) -> Ladder:
    """An underbase: reflection (n * n), diffuse light up through it (n), flux down (n)."""
    s = STREAMS
    r, t = layer_ladder(mu_a, mu_s, g, **ladder)
    packed = np.concatenate(
        [r.reshape(*r.shape[:-2], -1), t.sum(axis=-1), np.einsum("i,...ij->...j", s.flux, t)],
        axis=-1,
    )
    return Ladder(packed, np.log2(ladder.get("first_um", 0.5)), 4)


def over_diffuser(top: Array, diffuser: Array) -> Array:
    """Reflectance factor of a top film on a diffuser of internal reflectance ``diffuser``.

    ``top`` (m, wavelength, value) from `top_film`; ``diffuser`` (m, wavelength).
    """
    s = STREAMS
    n = s.mu.size
    over_black, down, view = top[..., 0], top[..., 1 : n + 1], top[..., n + 1 : 2 * n + 1]
    below = top[..., 2 * n + 1 :].reshape(*top.shape[:-1], n, n)
    returned = below.sum(axis=-1) @ s.flux
    return over_black + (down @ s.flux) * diffuser * view.sum(axis=-1) / (1 - diffuser * returned)


def over_base(top: Array, base: Array, diffuser: Array) -> Array:
    """Reflectance factor of a top film on an underbase on a diffuser; shapes as above."""
    s = STREAMS
    n = s.mu.size
    over_black, down, view = top[..., 0], top[..., 1 : n + 1], top[..., n + 1 : 2 * n + 1]
    below = top[..., 2 * n + 1 :].reshape(*top.shape[:-1], n, n)
    base_r = base[..., : n * n].reshape(*base.shape[:-1], n, n)
    up, flux_down = base[..., n * n : n * n + n], base[..., n * n + n :]
    returned = base_r.sum(axis=-1) @ s.flux
    amount = diffuser / (1.0 - diffuser * returned)
    ground = base_r + (amount[..., None] * up)[..., None] * flux_down[..., None, :]
    lit = np.linalg.solve(np.eye(n) - ground @ below, ground @ down[..., None])[..., 0]
    return over_black + (view * lit).sum(axis=-1)


def surface_factor(internal: Array) -> Array:
    """45:0 reflectance factor of a smooth-surfaced diffuser of this internal reflectance."""
    entry = 1.0 - fresnel(np.array(np.sqrt(0.5)), 1.0, N_FILM)
    gain = entry * (1.0 - fresnel(np.array(1.0), N_FILM, 1.0)) / N_FILM**2
    inside = float(STREAMS.flux @ STREAMS.surface)
    return gain * internal / (1.0 - inside * internal)


def internal_reflectance(measured: Array) -> Array:
    """Inverse of `surface_factor`: what a film in contact with a sealed card sees."""
    unit = surface_factor(np.array(1.0))
    inside = float(STREAMS.flux @ STREAMS.surface)
    gain = unit * (1.0 - inside)
    return measured / (gain + inside * measured)
