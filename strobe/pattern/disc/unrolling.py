"""A disc cut open along a radius: pictures over radius and azimuth, and the wave that bars make along a ring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.geometry import FoundDisc
from strobe.pattern.images import opencv, runs_of

__all__ = ["AZIMUTHS", "Unrolled", "arcs_of", "carrier", "unroll"]

AZIMUTHS = 3840
"""Places round the circle: nearly five for each of the most bars."""
_LEAST_PIECE = 0.02
"""Of the circle, that an unbroken arc makes up."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Unrolled:
    """Rings cut open: pictures (frames, radii, azimuths) and which of it lies in the picture."""

    radius: _Floats
    light: NDArray[np.float32]
    inside: NDArray[np.bool_]


def unroll(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], radius: _Floats) -> Unrolled:
    cv2 = opencv()
    azimuth = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
    x, y = disc.places(radius[:, None], azimuth[None, :])
    height, width = pictures[0].shape
    inside = (x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)
    maps = (x.astype(np.float32), y.astype(np.float32))
    light = np.stack([cv2.remap(one, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for one in pictures])
    return Unrolled(radius, light, inside)


def carrier(light: NDArray[np.float32], bars: float, inside: NDArray[np.bool_]) -> NDArray[np.complex128]:
    """Local amplitude of a wave of `bars` a turn, over about three of them, along the last axis."""
    from scipy.ndimage import uniform_filter1d

    width = max(3, round(3 * AZIMUTHS / bars))
    mask = inside.astype(np.float64)
    cover = np.maximum(uniform_filter1d(mask, width, axis=-1, mode="wrap"), 1e-3)
    level = uniform_filter1d(light * mask, width, axis=-1, mode="wrap") / cover
    azimuth = np.arange(AZIMUTHS) * 2 * np.pi / AZIMUTHS
    turned = (light - level) * mask * np.exp(-1j * bars * azimuth)
    for _ in range(2):
        turned = uniform_filter1d(turned.real, width, axis=-1, mode="wrap") + 1j * uniform_filter1d(
            turned.imag, width, axis=-1, mode="wrap"
        )
    enough = uniform_filter1d(mask, width, axis=-1, mode="wrap") > 0.7
    return np.where(enough, 2 * turned, 0)


def arcs_of(field: NDArray[np.complex128], least: float) -> list[tuple[_Floats, _Floats, _Floats]]:
    """Azimuth, phase gathered along it, and weight, for each unbroken arc in which frames (frames, azimuths) agree.

    Azimuths of an arc grow without a jump; a ring seen whole is one arc that ends where it begins.
    """
    power = np.sqrt(np.mean(np.abs(field) ** 2, axis=0))
    usual = float(np.percentile(power, 85))
    good = power > least * usual if usual > 0 else np.zeros(power.size, bool)
    if not good.any():
        return []
    first = 0 if good.all() else int(np.flatnonzero(good & ~np.roll(good, 1))[0])
    order = (first + np.arange(power.size)) % power.size
    good, power, field = good[order], power[order], field[:, order]
    turn = np.angle(np.sum(field[:, 1:] * np.conj(field[:, :-1]), axis=0))
    phase = np.concatenate([[0.0], np.cumsum(turn)])
    azimuth = (first + np.arange(power.size)) * 2 * np.pi / power.size
    arcs = []
    for begin, end in runs_of(good):
        if end - begin > power.size * _LEAST_PIECE:
            part = slice(begin, end)
            arcs.append((azimuth[part], phase[part], np.minimum(power[part] / usual, 1.0)))
    return arcs
