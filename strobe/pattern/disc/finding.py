"""Find a disc seen from above: a draft of it brought to hundredths of a bar, with all its rings and their counts.

Rings are unrolled by what is known so far; how evenly the bars then follow each other sets the middle and the
foreshortening right, and the edges of the rings set the perspective.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.disc.counting import LEAST_ARC, LEAST_OF_STRONGEST, MOST_RINGS, VISIBLE, counted, rings_on
from strobe.pattern.disc.drafting import FEWEST_BARS, MOST_BARS, draft_discs
from strobe.pattern.disc.geometry import FoundDisc, FoundRing, rays, robust_fit
from strobe.pattern.disc.unrolling import Unrolled, arcs_of, carrier, unroll
from strobe.pattern.images import Plane

__all__ = ["find_disc"]

_ROUNDS, _WIDE_ROUNDS = 5, 2
"""Rounds in which the draft is refined, and how many of them look wide; by trial."""
_WIDE, _CLOSE = (0.72, 1.3), (0.85, 1.18)
"""Radii that are looked at, by the first ring's, in the first rounds and in those after."""

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


def _refined(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]]) -> FoundDisc | None:
    """The draft brought to hundredths of a bar, with all its rings."""
    first = disc.rings[0]
    for step in range(_ROUNDS):
        radius = np.linspace(*(_WIDE if step < _WIDE_ROUNDS else _CLOSE), 40) * first.middle
        unrolled = unroll(disc, pictures, radius)
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
    rings = [ring for ring in rings_on(disc, pictures) if counted(disc, pictures, ring) is not None]
    while rings:
        settled = _settled(disc, pictures, rings)
        if settled is not None:
            return settled
        rings = rings[:-1]
    return None


def _settled(disc: FoundDisc, pictures: Sequence[NDArray[np.float32]], rings: Sequence[FoundRing]) -> FoundDisc | None:
    """The disc by all of its rings together; None where they do not go together."""
    for _ in range(3):
        looks = [(ring.bars_seen, unroll(disc, pictures, _across(ring))) for ring in rings]
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
    kept = [one for ring in rings if (one := counted(disc, pictures, ring)) is not None]
    strongest = max((ring.amplitude for ring in kept), default=0.0)
    kept = [ring for ring in kept if ring.amplitude > LEAST_OF_STRONGEST * strongest]
    kept.sort(key=lambda ring: ring.amplitude * np.sqrt(ring.seen_share), reverse=True)
    kept = [one for k, one in enumerate(kept) if not any(other.inner < one.middle < other.outer for other in kept[:k])]
    return replace(disc, rings=tuple(kept[:MOST_RINGS])) if kept else None


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


def _tuned(disc: FoundDisc, looks: Sequence[tuple[float, Unrolled]]) -> tuple[FoundDisc, list[float]] | None:
    """Middle and foreshortening set so that the bars are evenly spaced; and the counts.

    Where the middle is off by t (in steps of the disc) and the form by a symmetric traceless part (e, f), a bar at
    azimuth a seems to lie at ``a - delta``, ``delta = (t_x cos a - t_y sin a) / s + e sin 2a + f cos 2a``.
    """
    rows, targets, weights, owners = [], [], [], []
    constants = 0
    for k, (bars, look) in enumerate(looks):
        field = carrier(look.light, bars, look.inside)
        by_radius = np.sqrt(np.mean(np.abs(field) ** 2, axis=0)).mean(axis=1)
        if not by_radius.max() > 0:
            return None
        near = by_radius >= 0.5 * by_radius.max()
        middle = float(np.average(look.radius[near], weights=by_radius[near]))
        for azimuth, phase, weight in arcs_of(field[:, near].sum(axis=1), 0.25):
            step = middle / np.maximum(1 - middle * (rays(azimuth) @ disc.vanishing), 0.05)
            s, c = np.sin(azimuth), np.cos(azimuth)
            rows.append(np.stack([c / step, -s / step, np.sin(2 * azimuth), np.cos(2 * azimuth)], axis=1))
            owners.append((k, constants, azimuth))
            constants += 1
            targets.append(phase / bars)
            weights.append(weight)
    if not rows or len({owner[0] for owner in owners}) < len(looks):
        return None
    if sum(np.ptp(owner[2]) for owner in owners) < LEAST_ARC * len(looks):
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


def _edged(
    disc: FoundDisc, looks: Sequence[tuple[float, Unrolled]]
) -> tuple[FoundDisc, list[tuple[float, float]]] | None:
    """Perspective set so that the edges of the rings are circles; and their radii."""
    sectors = 48
    azimuth = (np.arange(sectors) + 0.5) * 2 * np.pi / sectors
    rows, targets, weights = [], [], []
    for k, (bars, look) in enumerate(looks):
        field = carrier(look.light, bars, look.inside)
        strength = np.sqrt(np.mean(np.abs(field) ** 2, axis=0))
        seen = np.all(look.inside, axis=0).reshape(sectors, -1).all(axis=1)
        profile = strength.reshape(look.radius.size, sectors, -1).mean(axis=2)
        usual = float(np.percentile(profile.max(axis=0), 80))
        for sector in np.flatnonzero(seen & (profile.max(axis=0) > VISIBLE * usual)):
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
