"""Which rings of bars a disc has, and how many bars each: by the spectrum round the circle, and the phase along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.drafting import FEWEST_BARS, MOST_BARS
from strobe.pattern.disc.geometry import FoundDisc, FoundRing
from strobe.pattern.disc.unrolling import AZIMUTHS, arcs_of, carrier, unroll

__all__ = ["LEAST_ARC", "LEAST_OF_STRONGEST", "MOST_RINGS", "VISIBLE", "counted", "rings_on"]

_BESIDE_A_PEAK, _ABOVE_FLOOR, _SHORTEST_PX = 41, 5.0, 2.2
"""Counts about a peak whose median is the floor of the spectrum, by how much the peak stands above it, and the shortest
bars (two pixels are the least that pixels can show); by trial."""
_SAME_RING = 0.03
"""Relative; how near to the count of a ring that it touches, or twice or thrice that, one is taken for the same. By
trial."""
MOST_RINGS = 6
"""The clearest rings, which alone are kept; our own choice."""
VISIBLE = 0.3
"""Share of its usual strength from which a ring counts as seen."""
LEAST_OF_STRONGEST = 0.12
"""Share of the strongest ring's amplitude that any other has."""
LEAST_ARC = 0.5
"""Of the circle in radians, that must be seen of a ring."""
_NARROWEST = 0.02
"""Width of the narrowest ring, in units of the disc; by trial."""
_SURE, _UNEVEN, _OFF_COUNT = 0.2, 1.0, 0.05
"""How near a whole number a count must be, in bars; by how much bars may stray, in radians of their phase; and by what
share a count may be set right."""
_LEAST_TONALITY, _LEAST_AMPLITUDE = 0.35, 0.75
"""Share of the power that lies at the peak, and grey levels, that bars have at least; by trial."""


def rings_on(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]]) -> list[FoundRing]:
    """Every ring of bars on the disc, by the spectrum round the circle at each radius."""
    from scipy.ndimage import median_filter

    (known,) = disc.rings
    scale = float(np.sqrt(abs(np.linalg.det(disc.to_px))))
    radius = np.arange(0.18, 1.6, max(1.5 / scale, 0.006))
    unrolled = unroll(disc, pictures, radius)
    light = unrolled.light * unrolled.inside
    cover = unrolled.inside.mean(axis=1)
    light = light - (light.mean(axis=2) / np.maximum(cover, 1e-6))[:, :, None] * unrolled.inside
    spectrum = np.abs(np.fft.rfft(light, axis=2)) ** 2
    power = np.sqrt(spectrum.mean(axis=0)) * 2 / AZIMUTHS / np.maximum(cover, 0.05)[:, None]
    numbers = np.arange(power.shape[1])
    power[:, (numbers < FEWEST_BARS) | (numbers > MOST_BARS)] = 0
    power[cover < 0.12] = 0
    floor = np.maximum(median_filter(power, (1, _BESIDE_A_PEAK)), 1e-6)
    peak = np.where(power > _ABOVE_FLOOR * floor, power, 0).argmax(axis=1)
    height = power[np.arange(radius.size), peak]
    tonality = np.array([_tonality(line, top) for line, top in zip(spectrum.mean(axis=0), peak, strict=True)])
    shortest_px = 2 * np.pi * radius * np.linalg.svd(disc.to_px, compute_uv=False)[1] / np.maximum(peak, 1)
    clear = (tonality > _LEAST_TONALITY) & (height > _LEAST_AMPLITUDE) & (shortest_px > _SHORTEST_PX)
    known_height = float(height[(radius > known.inner) & (radius < known.outer)].max(initial=0.0))
    clear &= height > LEAST_OF_STRONGEST * known_height
    rings: list[FoundRing] = []
    start = 0
    while start < radius.size:
        end = start
        while end < radius.size and clear[end] and abs(int(peak[end]) - int(peak[start])) <= max(1, 0.01 * peak[start]):
            end += 1
        if end - start >= 3 and radius[end - 1] - radius[start] > _NARROWEST:
            bars = float(np.median(peak[start:end]))
            inner, outer = float(radius[start]), float(radius[end - 1])
            amplitude = float(np.median(height[start:end]))
            rings.append(FoundRing(None, bars, inner, outer, amplitude, np.ones(AZIMUTHS, bool)))
        start = max(end, start + 1)
    rings.sort(key=lambda ring: ring.amplitude * (ring.outer - ring.inner), reverse=True)
    kept: list[FoundRing] = []
    for ring in rings:
        alike = any(
            abs(ring.bars_seen / (m * other.bars_seen) - 1) < _SAME_RING and _touch(ring, other)
            for other in kept
            for m in (1, 2, 3)
        )
        if not alike:
            kept.append(ring)
    return kept[:MOST_RINGS]


def _tonality(power: NDArray[np.floating], top: int) -> float:
    """Share of the power of a spectrum about a peak that lies close to it."""
    if top < FEWEST_BARS:
        return 0.0
    near = power[top - 4 : top + 5].sum()
    return float(near / power[top // 2 : top * 3 // 2].sum())


def _touch(one: FoundRing, other: FoundRing) -> bool:
    return one.inner < other.outer + 0.03 and other.inner < one.outer + 0.03


def counted(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], ring: FoundRing) -> FoundRing | None:
    """The ring with its count settled: by the phase gathered round it, the map's own small errors fitted along.

    None for what is no ring of even bars.
    """
    middle = np.linspace(ring.inner + 0.2 * (ring.outer - ring.inner), ring.outer - 0.2 * (ring.outer - ring.inner), 9)
    look = unroll(disc, pictures, middle)
    bars = float(np.rint(ring.bars_seen))
    field = carrier(look.light, bars, look.inside).mean(axis=1)
    power = np.sqrt(np.mean(np.abs(field) ** 2, axis=0))
    seen = (power > VISIBLE * float(np.percentile(power, 85))) & np.all(look.inside, axis=0)
    amplitude = float(np.median(power[seen])) if seen.any() else 0.0
    if seen.mean() * 2 * np.pi < LEAST_ARC:
        return None
    arcs = arcs_of(field, VISIBLE)
    if not arcs:
        return None
    rows, targets = [], []
    for k, (azimuth, phase, _) in enumerate(arcs):
        columns = [azimuth - azimuth.mean()] + [wave(m * azimuth) for m in (1, 2) for wave in (np.cos, np.sin)]
        columns += [np.full(azimuth.size, float(k == j)) for j in range(len(arcs))]
        rows.append(np.stack(columns, axis=1))
        targets.append(phase)
    basis, target = np.concatenate(rows), np.concatenate(targets)
    fit, *_ = np.linalg.lstsq(basis, target, rcond=None)
    rest = target - basis @ fit
    if float(np.std(rest)) > _UNEVEN:
        return None
    if abs(float(fit[0])) > _OFF_COUNT * bars:
        return None
    if seen.all():
        turn = np.sum(np.roll(field, -1, axis=1) * np.conj(field), axis=0)
        whole = bars + float(np.rint(np.sum(np.angle(turn)) / (2 * np.pi)))
        return replace(ring, bars=int(whole), bars_seen=whole, amplitude=amplitude, seen=seen)
    # The field is smoothed over some bars: so many places are worth one.
    worth = max(1.0, 5 * AZIMUTHS / bars)
    noise = float(np.std(rest)) * float(np.sqrt(np.linalg.pinv(basis.T @ basis)[0, 0] * worth))
    found = bars + float(fit[0])
    whole = float(np.rint(found))
    sure = abs(found - whole) < _SURE and 3 * noise < 0.5 - abs(found - whole) and seen.mean() > 0.5
    return replace(ring, bars=int(whole) if sure else None, bars_seen=found, amplitude=amplitude, seen=seen)
