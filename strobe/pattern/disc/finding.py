"""Find a disc seen from above: a draft of it brought to hundredths of a bar, with all its rings and their counts.

Rings are unrolled by what is known so far; how evenly the bars then follow each other sets the middle and the
foreshortening right, and the edges of the rings set the perspective.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.drafting import FEWEST_BARS, MOST_BARS, draft_discs
from strobe.pattern.disc.geometry import FoundDisc, FoundRing, rays, robust_fit
from strobe.pattern.images import Plane, opencv, runs_of

__all__ = ["find_disc"]

_AZIMUTHS = 3840
_ROUNDS = 5
_WIDE = (0.72, 1.3)
_BESIDE_A_PEAK, _ABOVE_FLOOR, _SHORTEST_PX = 41, 5.0, 2.2
_SAME_RING = 0.03
_MOST_RINGS = 6
_VISIBLE = 0.3
_LEAST_OF_STRONGEST = 0.12
_LEAST_ARC, _LEAST_PIECE = 0.5, 0.02
"""Of the circle in radians, and of one unbroken arc as a share of it."""
_NARROWEST = 0.02
_SURE, _UNEVEN, _OFF_COUNT = 0.2, 1.0, 0.05
_LEAST_TONALITY, _LEAST_AMPLITUDE = 0.35, 0.75

_Floats = NDArray[np.float64]


def find_disc(planes: Sequence[Plane], *, full_scale: float = 255.0) -> FoundDisc | None:
    """The disc in `planes`; None when the picture shows no rings from above.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        A few frames of one clip, the same plane of each.
    full_scale : float
        The value of white.
    """
    full: list[NDArray[np.float32]] = []
    best: FoundDisc | None = None
    for drafted in draft_discs(planes, full_scale=full_scale):
        full = full or [plane.astype(np.float32) * np.float32(255.0 / full_scale) for plane in planes]
        found = _refined(drafted, full)
        if found is not None and (best is None or _clearness(found) > _clearness(best)):
            best = found
        if best is not None and best.rings[0].bars is not None:
            break
    return best


def _clearness(disc: FoundDisc) -> float:
    """How much of a disc's rings is seen."""
    return float(sum(ring.amplitude * ring.seen_share for ring in disc.rings))


@dataclass(frozen=True, eq=False)
class _Unrolled:
    """Rings cut open: pictures (frames, radii, azimuths) and which of it lies in the picture."""

    radius: _Floats
    light: NDArray[np.float32]
    inside: NDArray[np.bool_]


def _unroll(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], radius: _Floats) -> _Unrolled:
    cv2 = opencv()
    azimuth = np.arange(_AZIMUTHS) * 2 * np.pi / _AZIMUTHS
    x, y = disc.places(radius[:, None], azimuth[None, :])
    height, width = pictures[0].shape
    inside = (x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)
    maps = (x.astype(np.float32), y.astype(np.float32))
    light = np.stack([cv2.remap(one, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for one in pictures])
    return _Unrolled(radius, light, inside)


def _carrier(light: NDArray[np.float32], bars: float, inside: NDArray[np.bool_]) -> NDArray[np.complex128]:
    """Local amplitude of a wave of `bars` a turn, over about three of them, along the last axis."""
    from scipy.ndimage import uniform_filter1d

    width = max(3, round(3 * _AZIMUTHS / bars))
    mask = inside.astype(np.float64)
    cover = np.maximum(uniform_filter1d(mask, width, axis=-1, mode="wrap"), 1e-3)
    level = uniform_filter1d(light * mask, width, axis=-1, mode="wrap") / cover
    azimuth = np.arange(_AZIMUTHS) * 2 * np.pi / _AZIMUTHS
    turned = (light - level) * mask * np.exp(-1j * bars * azimuth)
    for _ in range(2):
        turned = uniform_filter1d(turned.real, width, axis=-1, mode="wrap") + 1j * uniform_filter1d(
            turned.imag, width, axis=-1, mode="wrap"
        )
    enough = uniform_filter1d(mask, width, axis=-1, mode="wrap") > 0.7
    return np.where(enough, 2 * turned, 0)


def _refined(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]]) -> FoundDisc | None:
    """The draft brought to hundredths of a bar, with all its rings."""
    first = disc.rings[0]
    for step in range(_ROUNDS):
        wide = _WIDE if step < 2 else (0.85, 1.18)
        radius = np.linspace(*wide, 40) * first.middle
        unrolled = _unroll(disc, pictures, radius)
        tuned = _tuned(disc, [(first.bars_seen, unrolled)])
        if tuned is None:
            return None
        disc, (bars,) = tuned
        first = replace(first, bars_seen=bars)
        edged = _edged(disc, [(bars, unrolled)])
        if edged is None:
            return None
        disc, ((inner, outer),) = edged
        first = replace(first, inner=inner, outer=outer)
    disc = _in_units(replace(disc, rings=(first,)))
    rings = [ring for ring in _rings(disc, pictures) if _counted(disc, pictures, ring) is not None]
    while rings:
        settled = _settled(disc, pictures, rings)
        if settled is not None:
            return settled
        rings = rings[:-1]
    return None


def _settled(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], rings: Sequence[FoundRing]) -> FoundDisc | None:
    """The disc by all of its rings together; None where they do not go together."""
    for _ in range(3):
        looks = [(ring.bars_seen, _unroll(disc, pictures, _across(ring))) for ring in rings]
        tuned = _tuned(disc, looks)
        if tuned is None:
            return None
        disc, counts = tuned
        edged = _edged(disc, list(zip(counts, (look for _, look in looks), strict=True)))
        if edged is None:
            return None
        disc, edges = edged
        rings = [
            replace(ring, bars_seen=bars, inner=inner, outer=outer)
            for ring, bars, (inner, outer) in zip(rings, counts, edges, strict=True)
        ]
    kept = [one for ring in rings if (one := _counted(disc, pictures, ring)) is not None]
    strongest = max((ring.amplitude for ring in kept), default=0.0)
    kept = [ring for ring in kept if ring.amplitude > _LEAST_OF_STRONGEST * strongest]
    kept.sort(key=lambda ring: ring.amplitude * np.sqrt(ring.seen_share), reverse=True)
    kept = [one for k, one in enumerate(kept) if not any(_covers(other, one) for other in kept[:k])]
    return replace(disc, rings=tuple(kept[:_MOST_RINGS])) if kept else None


def _across(ring: FoundRing) -> _Floats:
    """Radii a little beyond both edges of a ring."""
    spare = max(0.5 * (ring.outer - ring.inner), 0.08)
    return np.linspace(ring.inner - spare, ring.outer + spare, 36)


def _in_units(disc: FoundDisc) -> FoundDisc:
    """The same disc with the outer edge of its ring as the unit."""
    (ring,) = disc.rings
    unit = ring.outer
    return replace(
        disc,
        to_px=disc.to_px * unit,
        vanishing=disc.vanishing * unit,
        rings=(replace(ring, inner=ring.inner / unit, outer=1.0),),
    )


def _tuned(disc: FoundDisc, looks: Sequence[tuple[float, _Unrolled]]) -> tuple[FoundDisc, list[float]] | None:
    """Middle and foreshortening set so that the bars are evenly spaced; and the counts.

    Where the middle is off by t (in steps of the disc) and the form by a symmetric traceless part (e, f), a bar at
    azimuth a seems to lie at ``a - delta``, ``delta = (t_x cos a - t_y sin a) / s + e sin 2a + f cos 2a``.
    """
    rows, targets, weights, owners = [], [], [], []
    constants = 0
    for k, (bars, look) in enumerate(looks):
        field = _carrier(look.light, bars, look.inside)
        by_radius = np.sqrt(np.mean(np.abs(field) ** 2, axis=0)).mean(axis=1)
        if not by_radius.max() > 0:
            return None
        near = by_radius >= 0.5 * by_radius.max()
        middle = float(np.average(look.radius[near], weights=by_radius[near]))
        for azimuth, phase, weight in _arcs(field[:, near].sum(axis=1), 0.25):
            step = middle / np.maximum(1 - middle * (rays(azimuth) @ disc.vanishing), 0.05)
            s, c = np.sin(azimuth), np.cos(azimuth)
            rows.append(np.stack([c / step, -s / step, np.sin(2 * azimuth), np.cos(2 * azimuth)], axis=1))
            owners.append((k, constants, azimuth))
            constants += 1
            targets.append(phase / bars)
            weights.append(weight)
    if not rows or len({owner[0] for owner in owners}) < len(looks):
        return None
    if sum(np.ptp(owner[2]) for owner in owners) < _LEAST_ARC * len(looks):
        return None
    blocks = []
    for (k, constant, azimuth), common in zip(owners, rows, strict=True):
        own = np.zeros((azimuth.size, len(looks) + constants))
        own[:, k] = azimuth - azimuth.mean()
        own[:, len(looks) + constant] = 1
        blocks.append(np.concatenate([common, own], axis=1))
    prior = np.array([1e-6] * 4 + [0.0] * len(looks) + [1e-12] * constants)
    fit = robust_fit(np.concatenate(blocks), np.concatenate(targets), np.concatenate(weights), prior)
    t, e, f = fit[:2], fit[2], fit[3]
    bent = np.eye(2) + np.array([[e, f], [f, -e]])
    counts = [bars * (1 + fit[4 + k]) for k, (bars, _) in enumerate(looks)]
    if np.hypot(*t) > 0.6 or np.hypot(e, f) > 0.5 or not all(FEWEST_BARS <= one <= MOST_BARS for one in counts):
        return None
    return replace(disc, middle_px=disc.middle_px - disc.to_px @ t, to_px=disc.to_px @ np.linalg.inv(bent)), counts


def _arcs(field: NDArray[np.complex128], least: float) -> list[tuple[_Floats, _Floats, _Floats]]:
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


def _edged(
    disc: FoundDisc, looks: Sequence[tuple[float, _Unrolled]]
) -> tuple[FoundDisc, list[tuple[float, float]]] | None:
    """Perspective set so that the edges of the rings are circles; and their radii."""
    sectors = 48
    azimuth = (np.arange(sectors) + 0.5) * 2 * np.pi / sectors
    rows, targets, weights = [], [], []
    for k, (bars, look) in enumerate(looks):
        field = _carrier(look.light, bars, look.inside)
        strength = np.sqrt(np.mean(np.abs(field) ** 2, axis=0))
        seen = np.all(look.inside, axis=0).reshape(sectors, -1).all(axis=1)
        profile = strength.reshape(look.radius.size, sectors, -1).mean(axis=2)
        usual = float(np.percentile(profile.max(axis=0), 80))
        for sector in np.flatnonzero(seen & (profile.max(axis=0) > _VISIBLE * usual)):
            edges = _half_way(look.radius, profile[:, sector])
            for j, edge in enumerate(edges):
                if edge is None:
                    continue
                ahead = rays(azimuth[sector])
                row = np.zeros(4 + 2 * len(looks))
                row[:2] = -ahead
                row[2:4] = -ahead / edge**2
                row[4 + 2 * k + j] = 1
                rows.append(row)
                targets.append(1 / edge - ahead @ disc.vanishing)
                weights.append(1.0)
    if len(rows) < 12:
        return None
    basis, target = np.array(rows), np.array(targets)
    count = np.abs(basis[:, 4:]).sum(axis=0)
    if np.any(count < 4):
        return None
    prior = np.array([0.0025, 0.0025, 0.1, 0.1] + [0.0] * (2 * len(looks)))
    fit = robust_fit(basis, target, np.array(weights), prior)
    rest = target - basis @ fit
    spread = 1.4826 * float(np.median(np.abs(rest)))
    cover = np.linalg.inv(basis.T @ basis + 1e-9 * np.eye(basis.shape[1])) * spread**2
    radii = 1 / fit[4:]
    if np.any(radii <= 0.1) or np.any(~np.isfinite(radii)):
        return None
    moved = replace(
        disc,
        vanishing=fit[:2],
        edge_shift=fit[2:4],
        edge_shift_noise=np.sqrt(np.diag(cover)[2:4]),
    )
    return moved, [(float(radii[2 * k]), float(radii[2 * k + 1])) for k in range(len(looks))]


def _half_way(radius: _Floats, profile: _Floats) -> tuple[float | None, float | None]:
    """Where a hump falls to half its height inwards and outwards; None where that lies beyond what was looked at."""
    top = int(np.argmax(profile))
    half = profile[top] / 2
    found: list[float | None] = []
    for way in (-1, 1):
        k = top
        while 0 <= k + way < profile.size and profile[k + way] > half:
            k += way
        if not 0 <= k + way < profile.size:
            found.append(None)
            continue
        share = (profile[k] - half) / (profile[k] - profile[k + way])
        found.append(float(radius[k] + share * (radius[k + way] - radius[k])))
    return found[0], found[1]


def _rings(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]]) -> list[FoundRing]:
    """Every ring of bars on the disc, by the spectrum round the circle at each radius."""
    from scipy.ndimage import median_filter

    (known,) = disc.rings
    scale = float(np.sqrt(abs(np.linalg.det(disc.to_px))))
    radius = np.arange(0.18, 1.6, max(1.5 / scale, 0.006))
    unrolled = _unroll(disc, pictures, radius)
    light = unrolled.light * unrolled.inside
    cover = unrolled.inside.mean(axis=1)
    light = light - (light.mean(axis=2) / np.maximum(cover, 1e-6))[:, :, None] * unrolled.inside
    spectrum = np.abs(np.fft.rfft(light, axis=2)) ** 2
    power = np.sqrt(spectrum.mean(axis=0)) * 2 / _AZIMUTHS / np.maximum(cover, 0.05)[:, None]
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
    clear &= height > _LEAST_OF_STRONGEST * known_height
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
            rings.append(FoundRing(None, bars, inner, outer, amplitude, np.ones(_AZIMUTHS, bool)))
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
    return kept[:_MOST_RINGS]


def _tonality(power: NDArray[np.floating], top: int) -> float:
    """Share of the power of a spectrum about a peak that lies close to it."""
    if top < FEWEST_BARS:
        return 0.0
    near = power[top - 4 : top + 5].sum()
    return float(near / power[top // 2 : top * 3 // 2].sum())


def _covers(one: FoundRing, other: FoundRing) -> bool:
    """Whether two finds are the same ring."""
    return one.inner < other.middle < one.outer


def _touch(one: FoundRing, other: FoundRing) -> bool:
    return one.inner < other.outer + 0.03 and other.inner < one.outer + 0.03


def _counted(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], ring: FoundRing) -> FoundRing | None:
    """The ring with its count settled: by the phase gathered round it, the map's own small errors fitted along.

    None for what is no ring of even bars.
    """
    middle = np.linspace(ring.inner + 0.2 * (ring.outer - ring.inner), ring.outer - 0.2 * (ring.outer - ring.inner), 9)
    look = _unroll(disc, pictures, middle)
    bars = float(np.rint(ring.bars_seen))
    field = _carrier(look.light, bars, look.inside).mean(axis=1)
    power = np.sqrt(np.mean(np.abs(field) ** 2, axis=0))
    seen = (power > _VISIBLE * float(np.percentile(power, 85))) & np.all(look.inside, axis=0)
    amplitude = float(np.median(power[seen])) if seen.any() else 0.0
    if seen.mean() * 2 * np.pi < _LEAST_ARC:
        return None
    arcs = _arcs(field, _VISIBLE)
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
    worth = max(1.0, 5 * _AZIMUTHS / bars)
    noise = float(np.std(rest)) * float(np.sqrt(np.linalg.pinv(basis.T @ basis)[0, 0] * worth))
    found = bars + float(fit[0])
    whole = float(np.rint(found))
    sure = abs(found - whole) < _SURE and 3 * noise < 0.5 - abs(found - whole) and seen.mean() > 0.5
    return replace(ring, bars=int(whole) if sure else None, bars_seen=found, amplitude=amplitude, seen=seen)
