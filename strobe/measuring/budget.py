"""How sure the fluctuation and its lines are: what adds up to their stated 95 % half-widths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures import evaluate
from strobe.figures.bands import Averaging
from strobe.figures.results import COVERAGE, BandFigures, BandPart, Component, Figures, Fluctuation
from strobe.measurement import BudgetEntry
from strobe.measuring.mixing import Mixing
from strobe.measuring.seldom import Mistaken, mistaken_for_slower
from strobe.measuring.unevenness import UnevenDots
from strobe.phase import LineReading, TimeBase, hann

__all__ = [
    "RING_OFF_CENTRE_PERCENT",
    "SCALE_SHARE",
    "beside_percent",
    "components_with_budget",
    "fluctuation_with_budget",
    "hidden_by_shake",
    "left_out_hz",
]

_Number = TypeVar("_Number", float, NDArray[np.float64])

RING_OFF_CENTRE_PERCENT = 0.05
"""What a ring 0.08 mm off centre on a rim of 155 mm radius adds once a turn (e / R), as a 95 % bound."""

SCALE_SHARE = 0.03
"""Share of a fluctuation that lossy coding may swallow (seen on rendered clips)."""
_FAST_CYCLES, _FAST_SHARE = 0.15, 0.4
"""Cycles of a wobble from frame to frame from which a coder, that foretells a frame from the one before, errs more; and
the share by which it does for each cycle more (95 % of 540 lines of 770 rendered clips: 0.046 below, 0.10 at 0.3)."""

MOST_SHAKE_PERCENT = 1.0
"""Weighted rms in percent that shake may feign, or the floor hide, before the reading is refused: some five times what
a worn platter has (by choice). Up to it the speed is good to some tenths of a percent (seen on rendered clips)."""
_HIDING_SHARE = 0.5
"""Share of the weighted rms from which what shake may have left hides it (by choice)."""

_BESIDE_HZ = 0.5
"""The false line that shake leaves is as likely some tenths of a hertz beside the shake's own."""

_MOST_HIDDEN_PERCENT = 0.1
_LOUD_DOTS, _LAMPS_OWN, _LOUD_SHARE, _QUIET_SHARE = 0.001, 0.075, 1.4, 0.7
"""What was taken off with the lamp's beat though it stands as no lamp's swing does: up to about a thousandth of a dot
and so large a share of the swing, noise and uneven light do that (0.07 of any above 0.004 dots on 96 rendered clips),
and a wobble is thought possible as large as the largest other, or so many percent; more than that is likely a wobble,
with as much again where it can't be seen."""
_ONCE_A_TURN, _OWN_REACH = 0.05, 0.5
"""How near to a whole multiple of the turn a component counts as that, in multiples of it, and in cycles over the clip,
by which noise and neighbours may move it (half of what parts two lines)."""
_FEW_TURNS, _FEW_TURNS_SHARE = 2.0, 0.12
"""Below so many turns a wobble once a turn is hardly told from a bend: so much of the unweighted figures is unsure then
(simulated, one to two turns)."""
_RANDOM_ANGLE = 0.7
"""Mean size of a part whose angle to the rest is not known (root mean square of a cosine)."""
_PEAK_TO_RMS = 1.7
"""2-sigma peak over rms, between one sinusoid (1.41) and random flutter (1.96)."""
_STAMP_LINES = 200
"""Lines that stand for white noise over the band: many more than the weighting has bends."""
_UNSEEN_HZ = 4.0
"""Where one line that the coder swallowed whole may lie: at the weighting's top."""


def components_with_budget(
    figures: Figures,
    time: TimeBase,
    *,
    averaging: Averaging,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: UnevenDots | None = None,
    swallowed_dots: float = 0.0,
) -> tuple[Component, ...]:
    """The components with what coding and exposure may swallow, an off-centre ring adds once a turn, and shake left.

    `averaging` is what was put back on them, and may be off.
    `swallowed_dots` is how much smaller any wobble may read for dots that stand almost still on the picture.
    """
    widened = []
    within = max(_ONCE_A_TURN, _OWN_REACH / figures.revolutions)
    window = hann(left_dots.size)
    for one in figures.components:
        ring = off_centre_percent if abs(one.per_revolution - 1) < within else 0.0
        ring = max(ring, uneven.swing_percent(one.per_revolution, within=within)) if uneven is not None else ring
        least, most = (float(end[0]) for end in averaging(np.array([one.frequency_hz])))
        loss = (most - least) / (most + least)
        peak = one.peak_percent
        beside_hz = one.frequency_hz + np.linspace(-_BESIDE_HZ, _BESIDE_HZ, 11)
        turn = np.exp(-2j * np.pi * np.outer(beside_hz, time.time_s))
        swing_dots = 2 * float(np.sqrt(np.mean(np.abs(turn @ (window * (left_dots - window @ left_dots))) ** 2)))
        shaken = 3 * _swing_percent(one.frequency_hz, swing_dots / (dots * figures.mean_rpm / 60))
        still = _swing_percent(one.frequency_hz, swallowed_dots / (dots * figures.mean_rpm / 60))
        share = scale_share + _fast_share(one.frequency_hz * time.interval_s)
        parts = (one.uncertainty_percent, ring, np.hypot(share, loss) * peak, shaken, still)
        total = float(np.linalg.norm(parts))
        widened.append(replace(one, uncertainty_percent=total))
    return tuple(sorted(widened, key=lambda c: c.peak_percent, reverse=True))


def fluctuation_with_budget(
    figures: Figures,
    time: TimeBase,
    *,
    line: LineReading,
    mixing: Mixing,
    left_dots: NDArray[np.float64],
    dots: int,
    off_centre_percent: float = RING_OFF_CENTRE_PERCENT,
    scale_share: float = SCALE_SHARE,
    uneven: UnevenDots | None = None,
    swallowed_dots: float = 0.0,
) -> tuple[Fluctuation, tuple[BudgetEntry, ...]]:
    """The fluctuation, and what adds to its half-widths.

    In its bounds: rounded stamps, an off-centre ring, uneven dots, shake, a wobble that falls on the lamp's beat and
    went with it, and what the coder swallowed of dots that stand almost still.

    Raises
    ------
    Refused
        ``shaken`` when what shake may have left is more than any platter wobbles.
    """
    fluctuation = figures.fluctuation
    turn_hz = figures.mean_rpm / 60
    doubts = _Doubts(
        components=figures.components,
        turn_hz=turn_hz,
        noise_factor=mixing.noise_factor,
        off_centre_percent=off_centre_percent,
        uneven=uneven,
        left_percent=_left_percent(figures, time, left_dots, dots),
        hidden=_hidden(figures, line, shaken=bool(np.any(left_dots))),
        beside=_up_to(fluctuation.band_hz[1], *beside_percent(line)),
        scale_share=scale_share,
        interval_s=time.interval_s,
        stamps_s=_rounding_s(time) if line.kind == "camera" else 0.0,
        swallowed_s=swallowed_dots / (dots * turn_hz),
        mistaken=mistaken_for_slower(figures, line, time),
        few_turns=figures.revolutions < _FEW_TURNS,
    )
    budget: list[BudgetEntry] = []
    widths: dict[str, Any] = {}
    parts: list[BandPart] = []
    for band in figures.bands:
        sources = {kind: doubts.of(band, kind) for kind in ("peak", "rms")}
        own: dict[str, Any] = {
            f"{kind}_uncertainty_percent": float(np.linalg.norm([*of.values()])) for kind, of in sources.items()
        }
        if band.split is not None:
            parts.append(replace(fluctuation.parts[len(parts)], **own))
            continue
        widths |= {f"{band.name}_{name}": width for name, width in own.items()}
        for kind, of in sources.items():
            budget += [BudgetEntry(f"{band.name}_{kind}", source, width) for source, width in of.items() if width > 0]
    complete = replace(
        fluctuation, **widths, parts=tuple(parts), left_out_hz=left_out_hz(line, time, fluctuation.band_hz)
    )
    return complete.with_upper_limits().with_longer(time.duration_s), tuple(budget)


def hidden_by_shake(fluctuation: Fluctuation, budget: tuple[BudgetEntry, ...]) -> bool:
    """Whether what shake may have left is most of the fluctuation."""
    left = sum(one.percent for one in budget if (one.figure, one.source) == ("weighted_rms", "shake"))
    return left > _HIDING_SHARE * fluctuation.weighted_rms_percent


_Waves = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Frequencies and peaks in percent of the speed (waves,)."""


@dataclass(frozen=True, eq=False)
class _Doubts:
    """What may be wrong of the speed, whichever figure takes it.

    Attributes
    ----------
    components : tuple of Component
    turn_hz : float
    noise_factor : float
        By how much noise may weigh more than it was thought to.
    off_centre_percent, uneven
        What the dots feign once a turn, and more often.
    left_percent : float
        Weighted rms of what shake may have left.
    hidden, beside : waves
        What may lack, and what may be in the figures or lack.
    scale_share : float
        Share of any wobble that the coder may swallow; of fast ones it may be more.
    interval_s : float
        Of the frames.
    stamps_s : float
        Root mean square of what rounding makes of the frames' times, where the stamps are taken as they are.
    swallowed_s : float
        By how much less any wobble may run before and behind.
    mistaken : tuple of Mistaken
    few_turns : bool
    """

    components: tuple[Component, ...]
    turn_hz: float
    noise_factor: float
    off_centre_percent: float
    uneven: UnevenDots | None
    left_percent: float
    hidden: _Waves
    beside: _Waves
    scale_share: float
    interval_s: float
    stamps_s: float
    swallowed_s: float
    mistaken: tuple[Mistaken, ...]
    few_turns: bool

    def of(self, band: BandFigures, kind: str) -> dict[str, float]:
        """95 % half-widths of a band's ``peak`` or ``rms`` by their source."""
        weighted = band.name == "weighted"
        to_peak = _PEAK_TO_RMS if kind == "peak" else 1.0
        rms = band.spread.rms_percent
        value, own, run = (getattr(band.spread, f"{kind}{part}_percent") for part in ("", "_uncertainty", "_run"))
        own = self.noise_factor * own
        run = min(run, own)
        # Noise that a coder makes is neither even over the frequencies nor different from part to part of a row.
        noisy = (COVERAGE if kind == "peak" else 1.0) * band.noise_like_percent
        ring = self._taken(band, self.turn_hz) * self.off_centre_percent
        once = self._taken(band, self.turn_hz) * _peak_at(self.components, 1.0)
        off_centre = (
            _RANDOM_ANGLE * ring if kind == "peak" else _growth(value, _RANDOM_ANGLE * once * ring + ring**2 / 2)
        )
        shake = (1.0 if weighted else 1.5) * (2.0 if kind == "peak" else 1.0) * self.left_percent
        # Which of two so near to each other is the lamp's is not known: it may be in the figure, or lack there.
        lacks, mixed = (to_peak**2 * self._square(band, *waves) for waves in (self.hidden, self.beside))
        faster = [
            self._square(band, one.frequency_hz, one.peak_percent)
            - self._square(band, one.component.frequency_hz, one.component.peak_percent)
            for one in self.mistaken
        ]
        lacking, held = (sum(max(sign * square, 0.0) for square in faster) for sign in (1, -1))
        sources = {
            "phase noise": np.hypot(np.sqrt(own**2 - run**2), noisy),
            "run length": run,
            "time stamps": _fall(value, to_peak**2 * self._stamps_square(band)),
            "ring off centre": off_centre,
            "uneven dots": _fall(value, to_peak**2 * self._uneven_square(band)),
            "shake": _fall(value, shake**2) + 0.3 * shake,
            "beat of the lamp": np.hypot(_growth(value, lacks), _fall(value, mixed)),
            "coding and exposure": np.hypot(self.scale_share, band.averaged_share) * value
            + to_peak * _fall(rms, self._fast_square(band)),
            "dots almost still": to_peak * _growth(rms, self._still_square(band)),
            "seen seldom": to_peak * max(_growth(rms, lacking), _fall(rms, held)),
            "few turns": _FEW_TURNS_SHARE * self._taken(band, self.turn_hz) * value
            if self.few_turns and not weighted
            else 0.0,
        }
        return {source: float(width) for source, width in sources.items()}

    def _taken(self, band: BandFigures, frequency_hz: _Number) -> _Number:
        """What a band takes of wobbles; slower ones than a turn count as that."""
        taken = band.gain_of(np.maximum(np.atleast_1d(frequency_hz), self.turn_hz))
        return taken if isinstance(frequency_hz, np.ndarray) else float(taken[0])

    def _square(self, band: BandFigures, frequency_hz: _Number, peak_percent: _Number) -> float:
        """Mean square of waves in a band."""
        return float(np.sum((self._taken(band, frequency_hz) * peak_percent) ** 2) / 2)

    def _fast_square(self, band: BandFigures) -> float:
        """By how much a mean square may be off because of what the coder does to fast lines."""
        frequency, peak = np.array([(one.frequency_hz, one.peak_percent) for one in self.components]).reshape(-1, 2).T
        share = _fast_share(frequency * self.interval_s)
        return float(np.sum((self._taken(band, frequency) * peak) ** 2 * share))

    def _stamps_square(self, band: BandFigures) -> float:
        """What errors of the frames' times make at the most: white noise, though those of rounding are often slower."""
        step_hz = band.band_hz[1] / _STAMP_LINES
        hz = step_hz * (np.arange(_STAMP_LINES) + 0.5)
        return self._square(band, hz, _swing_percent(hz, 2 * self.stamps_s * np.sqrt(self.interval_s * step_hz)))

    def _uneven_square(self, band: BandFigures) -> float:
        if self.uneven is None:
            return 0.0
        orders = np.arange(2.0, max(band.band_hz[1] / self.turn_hz, 2.0))
        peaks = np.array([_peak_at(self.components, order) for order in orders])
        return self.uneven.mean_square(peaks, self._taken(band, orders * self.turn_hz))

    def _still_square(self, band: BandFigures) -> float:
        """By how much a mean square may be too small: each line by what the coder swallowed, and one line not seen."""
        unseen_hz = float(np.clip(_UNSEEN_HZ, *band.band_hz))
        square = _swing_percent(unseen_hz, self.swallowed_s) ** 2 / 2
        for one in self.components:
            lost = _swing_percent(one.frequency_hz, self.swallowed_s)
            square += self._taken(band, one.frequency_hz) ** 2 * (one.peak_percent * lost + lost**2 / 2)
        return square


def _rounding_s(time: TimeBase) -> float:
    """The most, at 2 sigma of so many frames, that rounding makes of the root mean square of stamps taken as they are.

    Even over its grid, so a twelfth of its square.
    """
    if time.kind != "stamps":
        return 0.0
    return float(time.grid_s * np.sqrt((1 + 2 * np.sqrt(2 / time.time_s.size)) / 12))


def _left_percent(figures: Figures, time: TimeBase, left_dots: NDArray[np.float64], dots: int) -> float:
    """Weighted rms of what shake may have left; refused where that is more than any platter wobbles."""
    if not np.any(left_dots):
        return 0.0
    moved = evaluate(
        time.time_s,
        (time.time_s - time.time_s[0]) * figures.mean_rpm / 60 + (left_dots - left_dots[0]) / dots,
        nominal_rpm=figures.mean_rpm,
        angle_noise_rev=1e-9,
        frame_interval_s=time.interval_s,
    )
    left = moved.fluctuation.weighted_rms_percent
    most = max(left, figures.fluctuation.weighted_floor_percent)
    if most > MOST_SHAKE_PERCENT:
        raise Refused(
            "shaken",
            f"The camera moved so much that {most:.1f} % of false wobble may be left in the reading.",
            "Put the phone on a stand or against something solid, and film again.",
        )
    return left


def _hidden(figures: Figures, line: LineReading, *, shaken: bool) -> _Waves:
    """What may have gone with the lamp's beats."""
    strongest = max((c.peak_percent for c in figures.components), default=0.0)
    beats_hz, beats_dots, in_phase = np.array(line.hidden, float).reshape(-1, 3).T
    swing = _swing_percent(beats_hz, beats_dots / line.dot_rate_hz)
    # In a hand any wave holds some of the shake, which has an entry of its own.
    loud = (beats_dots * in_phase > _LOUD_DOTS * in_phase + _LAMPS_OWN * beats_dots) & ~np.array(shaken)
    quiet = _QUIET_SHARE * np.minimum(swing, max(strongest, _MOST_HIDDEN_PERCENT))
    return _up_to(figures.fluctuation.band_hz[1], beats_hz, np.where(loud, _LOUD_SHARE * swing, quiet))


def _fast_share(cycles: _Number) -> _Number:
    """Share of a wobble, by its cycles from frame to frame, that a coder errs by for its being fast."""
    return _FAST_SHARE * np.maximum(cycles - _FAST_CYCLES, 0.0)


def _up_to(top_hz: float, frequency_hz: NDArray[np.float64], peak_percent: NDArray[np.float64]) -> _Waves:
    inside = frequency_hz < top_hz
    return frequency_hz[inside], peak_percent[inside]


def _peak_at(components: tuple[Component, ...], per_revolution: float) -> float:
    """Peak of what was read so many times a turn, in percent; 0 where there is nothing."""
    near = (one.peak_percent for one in components if abs(one.per_revolution - per_revolution) < _ONCE_A_TURN)
    return next(near, 0.0)


def left_out_hz(line: LineReading, time: TimeBase, band_hz: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Where in the band something that follows the lamp or the pattern was taken off, with what lies near it."""
    reach = 1.0 / time.duration_s
    found: list[tuple[float, float]] = []
    for one in sorted(line.removed_hz):
        low, high = max(one - reach, 0.0), one + reach
        if high < band_hz[0] or low > band_hz[1]:
            continue
        if found and low <= found[-1][1]:
            found[-1] = (found[-1][0], high)
        else:
            found.append((low, high))
    return tuple(found)


def beside_percent(line: LineReading) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where a line had waves taken off it (waves,), and the peak of the speed, in percent, of what lies beside each."""
    hz, dots = np.array(line.beside, float).reshape(-1, 2).T
    return hz, _swing_percent(hz, dots / line.dot_rate_hz)


def _swing_percent(frequency_hz: _Number, swing_s: _Number) -> _Number:
    """Peak of the speed, in percent, of a swing that runs so many seconds before and behind."""
    return 100 * 2 * np.pi * frequency_hz * swing_s


def _growth(rms: float, square: float) -> float:
    """By how much a root mean square is too small that lacks so much of its square."""
    return float(np.sqrt(rms**2 + square)) - rms


def _fall(rms: float, square: float) -> float:
    """By how much a root mean square is too large that holds so much in its square; all of it at the most."""
    return rms - float(np.sqrt(max(rms**2 - square, 0.0)))
