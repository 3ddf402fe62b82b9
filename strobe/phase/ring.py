"""A ring seen round the circle: what its parts do not share, being off centre first of all, taken off them.

At azimuth a the phase of a ring of N bars is ``2 pi N theta + E(a + 2 pi theta)``: E belongs to the paper and turns
with it, the speed is common to the whole ring. Differences between neighbouring parts do not know the speed and show E
alone. Its first harmonic is the ring off centre by ``e = R |E_1| / N``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.phase.turns import TurnSignature

__all__ = ["EvenRing", "RingError", "even_ring", "find_turning", "signature_of"]

_SLOWEST_HZ, _FASTEST_HZ = 0.2, 1.7
"""Turns a second that are looked at: 12 to 102 rpm, well round 16 2/3 and 78."""
_CLEAR = 25.0
"""Power over the usual one: white noise reaches that once in 30 million frequencies (2 to the power of -25)."""
_LEAST_SWEEP_CYCLES = 0.3
"""Cycles of the lamp from the part exposed first to the last, for its swing to show from part to part (by trial)."""
_LAMP_ORDERS = ((1, 0), (2, 0), (3, 0), (4, 0), (1, -1), (1, 1), (2, -1), (2, 1))
"""Harmonics of the lamp, and of the turn with them: what a lamp does to a bar depends a little on the ring's error."""
_SHARE_FOR_HARMONICS = ((0.9, 4), (0.55, 2))
"""Of the circle that must be seen to tell so many harmonics apart; below the last, one."""
_PIECES = 6
"""Pieces of the clip whose scatter tells the uncertainty (by choice; `_STUDENT` belongs to it)."""
_STUDENT = 2.57
"""95 % factor for the mean of six pieces (Student's t with five degrees of freedom, value from tables)."""
_ROUNDS = 4
"""Times that what lies far off is weighed less and the waves fitted again (by trial)."""
_LEAST_PAIRS = 3
"""Pairs of neighbouring parts: one more than the two numbers that each frame is asked for."""
_SWEEPS_S, _ENOUGH_FRAMES = np.arange(-0.01, 0.0451, 0.005), 400
"""How long the shutter may take down the picture, and frames that are enough to tell."""
_LEAST_KEPT, _HALF_HIDDEN, _KEEPS_STEP = 0.6, 0.02, 0.04
"""Share of the parts that must be kept; what a part leaves, by the swing that was taken off, to be half hidden; and how
far from whole the lamp's cycles a frame are while it nearly keeps step (by trial)."""
_SWEEP_SHARES = np.arange(0.7, 1.31, 0.1)
"""Shares that are tried of the sweep that the flicker tells; a parabola is laid between them (by trial)."""
_SAME_TURN, _SUPPORT = 0.006, 20.0
"""How well a turning is known, relative, and how strongly it speaks; dots' irregularities speak from 6.5 on."""
_UNSEEN = 0.0005
"""e / R that may be there where none stands out: a printed ring's hole fits its spindle to some hundredths of a mm."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class RingError:
    """How a ring errs with its own angle.

    Attributes
    ----------
    off_centre : complex
        e / R, its angle the azimuth at which the ring's middle lay at time zero.
    off_centre_uncertainty : float
        95 % half-width of its size, and of each of its parts.
    """

    off_centre: complex
    off_centre_uncertainty: float


@dataclass(frozen=True, eq=False)
class EvenRing:
    """A ring whose parts show the speed alone.

    Attributes
    ----------
    blocks : array of complex64 (frames, blocks)
        The parts, their own error taken off, set to one phase and weighed alike.
    kept : array of int
        Which parts these are; those that err otherwise than the rest, half hidden ones mostly, are left out.
    calm : bool
        Whether the lamp's swing was taken off too.
    error : RingError or None
        What was taken off; None for nothing.
    left_percent : float
        95 % bound of what it may still feign once a turn, as a change of speed.
    """

    blocks: NDArray[np.complex64]
    kept: NDArray[np.intp]
    calm: bool
    error: RingError | None
    left_percent: float


def find_turning(blocks: NDArray[np.complex64], azimuth_rad: _Floats, time_s: _Floats) -> float | None:
    """Turns a second of a ring, by the error that turns with it; None where it does not stand out.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
    azimuth_rad : array (blocks,)
    time_s : array (frames,)
    """
    bend, weight, (near, following) = _bends(blocks, azimuth_rad)
    if near.size < _LEAST_PAIRS:
        return None
    turning = np.exp(1j * azimuth_rad)
    course = _course(bend, weight, turning[following] - turning[near])
    course = course - course.mean()
    window = np.hanning(time_s.size + 2)[1:-1]
    duration = float(np.ptp(time_s))
    # The other way round nothing turns: what is seen there is what noise and lamp make.
    grid = np.arange(-_FASTEST_HZ, _FASTEST_HZ, 0.1 / duration)
    power = np.abs(np.exp(-2j * np.pi * np.outer(grid, time_s)) @ (window * course)) ** 2
    ahead, back = power * (grid > _SLOWEST_HZ), power[grid < -_SLOWEST_HZ]
    top = int(np.argmax(ahead))
    if ahead[top] < _CLEAR * np.median(power[np.abs(grid) > _SLOWEST_HZ]) or ahead[top] < 3 * back.max():
        return None
    fine = grid[top] + np.linspace(-0.1, 0.1, 41) / duration
    height = np.abs(np.exp(-2j * np.pi * np.outer(fine, time_s)) @ (window * course))
    best = int(np.clip(np.argmax(height), 1, fine.size - 2))
    a, b, c = height[best - 1 : best + 2]
    return float(fine[best] + 0.5 * (a - c) / (a - 2 * b + c - 1e-30) * (fine[1] - fine[0]))


def signature_of(rate_hz: float) -> TurnSignature:
    """What a turning seen at so many turns a second says of the time of one turn, as dots' irregularities say it."""
    period = np.geomspace(0.6, 4.4, 1500)
    likeness = np.exp(-0.5 * (np.log(period * rate_hz) / _SAME_TURN) ** 2)
    return TurnSignature(period, likeness, 1 / _SUPPORT, 1 / rate_hz)


def even_ring(
    blocks: NDArray[np.complex64],
    azimuth_rad: _Floats,
    sweep_place: _Floats,
    turns: _Floats | None,
    *,
    turns_per_s: float,
    bars: float,
    blocks_round: int,
    seen_share: float,
    lamp_cycles: _Floats | None = None,
    sweep_cycles: float = 0.0,
) -> EvenRing:
    """Take a ring's own error off its parts, and the lamp's swing where that shows from part to part.

    Each part is exposed at another phase of the lamp, so that the swing, like E, is seen without the speed: wobble on
    the lamp's beat stays as it is.

    Parameters
    ----------
    blocks : array of complex (frames, blocks)
        Amplitudes of the parts of the ring.
    azimuth_rad : array (blocks,)
        Where they lie.
    sweep_place : array (blocks,)
        Their places in the order of exposure, 0 (first) to 1: what is exposed later has turned on.
    turns : array (frames,) or None
        Angle of the platter in turns, from any beginning; None where it is not known, and nothing is taken off.
    turns_per_s : float
        Mean speed.
    bars : float
        Of the ring.
    blocks_round : int
        Parts that the whole circle has.
    seen_share : float
        Share of the circle that the parts cover.
    lamp_cycles : array (frames,) or None
        Phase of the lamp in cycles, where it is known.
    sweep_cycles : float
        Cycles of the lamp while the shutter sweeps the picture.
    """
    size = np.sqrt(np.mean(np.abs(blocks) ** 2, axis=0)) + 1e-12
    blocks = (blocks / size).astype(np.complex64)
    kept = np.arange(azimuth_rad.size)
    if turns is None:
        lean = float(np.abs(np.mean(np.exp(1j * azimuth_rad))))
        return EvenRing(_together(blocks), kept, False, None, 100 * lean * _UNSEEN)
    most = next((number for share, number in _SHARE_FOR_HARMONICS if seen_share >= share), 1)
    calm = lamp_cycles is not None and abs(sweep_cycles) * float(np.ptp(sweep_place)) > _LEAST_SWEEP_CYCLES
    orders = [] if lamp_cycles is None else _orders(lamp_cycles)
    for last in (False, False, True):
        here, place, sweep = blocks[:, kept], azimuth_rad[kept], sweep_place[kept]
        bend, weight, pairs = _bends(here, place)
        later = _delay(bend, weight, pairs, place, turns, turns_per_s * (sweep - np.mean(sweep)))
        angle = place + 2 * np.pi * (turns[:, None] + later)
        angles = [m * angle for m in range(1, most + 1)]
        if lamp_cycles is not None and calm:
            share = _sweep_share(bend, weight, pairs, angles, lamp_cycles, sweep_cycles * sweep)
            lamp = 2 * np.pi * (lamp_cycles[:, None] + share * sweep_cycles * sweep)
            angles += [h * lamp + n * angle for h, n in orders]
        fit, spread = _fit(bend, weight, pairs, angles)
        own = np.zeros(here.shape)
        for amount, one in zip(fit, angles, strict=True):
            own += (np.conj(amount) * np.exp(1j * one)).real
        even = _together(here * np.exp(-1j * own))
        astray = _astray(even, turns, float(np.abs(fit[0])))
        if last or not astray.any() or kept.size - astray.sum() < _LEAST_KEPT * azimuth_rad.size:
            break
        kept = kept[~astray]
    # Re(conj(E) exp(i u)) with E = i (e / R) N exp(i psi) is N (e / R) sin(u - psi); a part shows its mean of that.
    seen = _mean_over_part(2 * np.pi / blocks_round)
    off_centre = complex(fit[0] / 1j / bars / seen)
    uncertainty = float(spread[0] / bars / seen)
    error = RingError(off_centre, uncertainty)
    lean = float(np.abs(np.mean(np.exp(1j * place))))
    return EvenRing(even, kept, calm, error, 100 * lean * uncertainty)


def _orders(lamp_cycles: _Floats) -> list[tuple[int, int]]:
    """Orders of lamp and turn that can be told apart: only its own where the lamp nearly keeps step with the frames."""
    advance = float(np.polyfit(np.arange(lamp_cycles.size), lamp_cycles, 1)[0])
    slow = abs(advance - np.rint(advance)) < _KEEPS_STEP
    return [(h, n) for h, n in _LAMP_ORDERS if n == 0 or not slow]


def _astray(even: NDArray[np.complex64], turns: _Floats, swing_rad: float) -> NDArray[np.bool_]:
    """Parts in which clearly more is left once a turn than in the others."""
    total = even.sum(axis=1)
    apart = np.angle(even * np.conj(total)[:, None])
    window = np.hanning(turns.size + 2)[1:-1]
    left = np.abs((window * np.exp(-2j * np.pi * turns)) @ (apart - apart.mean(axis=0))) * 2 / window.sum()
    usual = float(np.median(left))
    spread = 1.4826 * float(np.median(np.abs(left - usual)))
    return left > max(usual + 4 * spread, _HALF_HIDDEN * swing_rad)


def _mean_over_part(half_rad: float) -> float:
    """Mean of a cosine over a part of a ring, whose weight falls as a squared cosine to both sides."""
    return float(np.sinc(half_rad / np.pi) / (1 - (half_rad / np.pi) ** 2))


def _together(blocks: NDArray[np.complexfloating]) -> NDArray[np.complex64]:
    """The parts turned to one phase, by what most of their power has in common."""
    blocks = blocks.astype(np.complex128)
    common = np.linalg.eigh(blocks.T.conj() @ blocks)[1][:, -1]
    return (blocks * np.exp(1j * np.angle(common))).astype(np.complex64)


_Pairs = tuple[NDArray[np.intp], NDArray[np.intp]]


def _bends(blocks: NDArray[np.complex64], azimuth_rad: _Floats) -> tuple[_Floats, _Floats, _Pairs]:
    """Phase from each part to the next beyond what it always is (frames, pairs), its weight, and the parts."""
    gap = (np.roll(azimuth_rad, -1) - azimuth_rad) % (2 * np.pi)
    near = np.flatnonzero(gap < 1.5 * np.median(gap))
    following = (near + 1) % azimuth_rad.size
    product = blocks[:, following].astype(np.complex128) * np.conj(blocks[:, near])
    bend = np.angle(product * np.conj(product.sum(axis=0)))
    weight = np.abs(product)
    return bend, weight / (weight.mean() + 1e-30), (near, following)


def _course(bend: _Floats, weight: _Floats, lever: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """For each frame the complex z with ``bend = Im(lever z)``, by weighted least squares."""
    a, b = lever.imag, lever.real
    aa, ab, bb = weight @ a**2, weight @ (a * b), weight @ b**2
    ay, by = (weight * bend) @ a, (weight * bend) @ b
    ridge = 1e-3 * float(np.mean(aa + bb))
    aa, bb = aa + ridge, bb + ridge
    det = aa * bb - ab**2
    solved: NDArray[np.complex128] = (bb * ay - ab * by) / det + 1j * (aa * by - ab * ay) / det
    return solved


def _columns(angles: Sequence[_Floats], pairs: _Pairs) -> _Floats:
    """What a wave of each of `angles` (frames, blocks) adds to the bends: (frames, pairs, 2 x waves)."""
    near, following = pairs
    columns = []
    for angle in angles:
        turning = np.exp(1j * angle)
        lever = turning[:, following] - turning[:, near]
        columns += [lever.real, lever.imag]
    return np.stack(columns, axis=-1)


def _centred(columns: _Floats, bend: _Floats, keep: _Floats) -> tuple[_Floats, _Floats]:
    """Both without their means over the clip: what each pair always is says nothing of E."""
    total = keep.sum(axis=0)
    return (
        columns - np.einsum("fp,fpi->pi", keep, columns) / total[:, None],
        bend - np.einsum("fp,fp->p", keep, bend) / total,
    )


def _delay(
    bend: _Floats, weight: _Floats, pairs: _Pairs, azimuth_rad: _Floats, turns: _Floats, places: _Floats
) -> _Floats:
    """By how many turns each part is later than the mean: a share, to be found, of `places` (turns a second of sweep).

    A lamp shows all parts as they stand at their own time. Where the shutter freezes the bars, the azimuths are those
    of the bars, and nothing is left to set right.
    """
    thin = slice(None, None, max(1, turns.size // _ENOUGH_FRAMES))

    def left(sweep_s: float) -> float:
        angle = azimuth_rad + 2 * np.pi * (turns[thin, None] + sweep_s * places)
        return _unexplained(bend[thin], weight[thin], pairs, [angle])

    return _lowest(_SWEEPS_S, left) * places


def _sweep_share(
    bend: _Floats,
    weight: _Floats,
    pairs: _Pairs,
    angles: Sequence[_Floats],
    lamp_cycles: _Floats,
    places: _Floats,
) -> float:
    """By what to multiply the sweep that was supposed, in cycles of the lamp, so that the swing fits best."""
    thin = slice(None, None, max(1, lamp_cycles.size // _ENOUGH_FRAMES))
    others = [angle[thin] for angle in angles]

    def left(share: float) -> float:
        lamp = 2 * np.pi * (lamp_cycles[thin, None] + share * places)
        return _unexplained(bend[thin], weight[thin], pairs, [*others, lamp, 2 * lamp])

    return _lowest(_SWEEP_SHARES, left)


def _unexplained(bend: _Floats, weight: _Floats, pairs: _Pairs, angles: Sequence[_Floats]) -> float:
    """Power of the bends that waves of these angles leave."""
    columns, target = _centred(_columns(angles, pairs), bend, weight)
    gram = np.einsum("fp,fpi,fpj->ij", weight, columns, columns)
    side = np.einsum("fp,fpi,fp->i", weight, columns, target)
    return float(np.einsum("fp,fp->", weight, target**2) - side @ np.linalg.solve(gram, side))


def _lowest(grid: _Floats, loss: Callable[[float], float]) -> float:
    """Where `loss` is least, between the points of an even grid."""
    losses = np.array([loss(float(one)) for one in grid])
    best = int(np.clip(np.argmin(losses), 1, grid.size - 2))
    a, b, c = losses[best - 1 : best + 2]
    step = float(np.clip(0.5 * (a - c) / max(a - 2 * b + c, 1e-30), -1, 1))
    return float(grid[best] + step * (grid[1] - grid[0]))


def _fit(
    bend: _Floats, weight: _Floats, pairs: _Pairs, angles: Sequence[_Floats]
) -> tuple[NDArray[np.complex128], _Floats]:
    """Amplitudes of the waves, and 95 % half-widths from how pieces of the clip scatter."""
    columns = _columns(angles, pairs)
    keep = weight
    for _ in range(_ROUNDS):
        centred, target = _centred(columns, bend, keep)
        gram = np.einsum("fp,fpi,fpj->ij", keep, centred, centred)
        total = np.linalg.solve(gram, np.einsum("fp,fpi,fp->i", keep, centred, target))
        rest = target - centred @ total
        spread = 1.4826 * float(np.median(np.abs(rest))) + 1e-9
        keep = weight / (1 + (rest / (3 * spread)) ** 2)
    parts = []
    for piece in np.array_split(np.arange(len(bend)), _PIECES):
        c, k = centred[piece], keep[piece]
        own = np.einsum("fp,fpi,fpj->ij", k, c, c) + 1e-6 * np.trace(gram) / _PIECES * np.eye(len(gram))
        parts.append(np.linalg.solve(own, np.einsum("fp,fpi,fp->i", k, c, rest[piece])))
    scatter = np.std(parts, axis=0, ddof=1) / np.sqrt(_PIECES)
    half = _STUDENT * np.hypot(scatter[::2], scatter[1::2]) / np.sqrt(2)
    return total[::2] + 1j * total[1::2], half
