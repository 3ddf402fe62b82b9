"""One kind of drive against the features of a reading: every feature shared out among the parts that may make it.

A line or hump belongs to a part by how well the rate fits, both uncertainties together, and by how usual such a fault
is; what no part would do goes to an even background. All densities are per logarithm of the frequency.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from strobe.drive.expected import HUNTING_HZ, HUNTING_SPREAD, Expected, expected_parts, folded_hz
from strobe.drive.features import Feature, Reading
from strobe.drive.locking import locked_amplitudes, locked_noise
from strobe.drive.machine import Machine
from strobe.drive.tightspot import spot_shares

__all__ = ["HARMONICS", "MOST_FOLDS", "DriveModel", "mains_motor"]

# How usual a fault is before anything was measured; common practice, coarse on purpose.
TURNING_PRIOR = {"platter": 0.3, "belt": 0.25, "pulley": 0.2, "idler": 0.4, "poles": 0.2, "hum": 0.05, "camera": 0.05}
SWINGING_PRIOR = {"swing": 0.35, "hunting": 0.35, "chassis": 0.25}
BACKGROUND_PRIOR = 0.05
"""The same for what no part here does, evenly over the band."""
LAMP_TOLERANCE = 0.001
"""Standard deviation of the logarithm of a beat between lamp and frames; our own choice."""
SWINGS_AS_LINE = 0.06
PURE_FROM = 10.0
"""How often what swings rings so purely that it reads as a line; and the peak, in its standard deviations, from which
that is less usual the sharper the line is. By trial."""
IF_UNDESCRIBED = 0.5
"""A motor or a suspension not described may be of that kind or not: even chances."""
HARMONICS = {"platter": 12, "belt": 8, "pulley": 2, "idler": 5, "poles": 1, "hum": 1, "camera": 1}
"""Multiples of its rate that a part may show: a lump, a flat or a tight spot makes many, what is off centre few. By
trial."""
HARMONIC_FALL = 0.75
"""How much less usual each multiple is than the one before; by trial."""
LONELY = 0.001
COMPANION_SHARE = 0.08
FEWEST_COMPANIONS = 2
"""What is left of the weight of a multiple of whose slower companions not even two show (one for twice): it is hardly a
multiple. A companion shows from this share of its peak on. By trial."""
MOST_LOBES = 4
LOBED = 0.05
"""Lobes of a running face or ring up to which it is usual to be out of round; and what is left of the weight of such a
multiple alone: far fewer are than are off centre. Common practice."""
RICH = 0.4
RICH_SLOPE = 2.5
"""Strength of the multiples of once a turn, by that of once a turn, where off centre and tight spot are as likely; and
the power of it by which the odds change. By trial."""
HIGHEST_LOCKED = 6
"""Times a turn up to which that strength is made up; the multiples above are weak. Our own choice."""
UNEVEN_BUSH = 0.4
"""How often a multiple that one tight spot cannot make comes from the bearing nevertheless, from an oval bush or from
several spots; the rest is a running face or ring with lobes. Our own choice: one clip does not tell the two apart, so
both must be listed, and the answer doubted."""
SPRING_SPREADS = 1.5
"""Standard deviations to either side of the expected swing, or control's rate, that a tight spot's spring may have: as
far as what the check table calls usual."""
IDLER_SPRING_HZ = (8.0, 25.0)
"""The same behind an idler, whose rubber is pressed, not stretched; by our own models of idler drives."""
SPRING_DAMPING = {"belt": (0.1, 0.18, 0.3), "idler": (0.1, 0.18, 0.3), "direct": (0.3, 0.6, 0.9)}
"""Damping of that swing: of a moving belt 0.18 (`strobe.drive.sizes`) and about half and twice as much; of a control
that does not hunt by itself more."""
UNSEEN_SIGMAS = 5.0
"""Standard deviations of an amplitude below which no line is listed: sqrt(2 ln of the looks to one false alarm), closed
form."""
# Turns a second of motors on the mains that belt drives use, by mains and poles.
MAINS_MOTORS = {(mains, poles): 2 * mains / poles for mains in (50, 60) for poles in (24, 16, 12)}
MAINS_MOTOR_SHARE = 0.5
"""Of belt drives whose motor is not described, the share that runs by the mains; common practice."""
MAINS_MOTOR_TOLERANCE = 0.0015
"""Standard deviation of the logarithm of such a rate: the mains wander by 0.04 to 0.12 % (values from memory)."""
# Poles and pole pairs of motors under the platter.
USUAL_POLES = (4, 6, 8, 10, 12, 16, 18, 20, 24)
USUAL_POLE_SHARE = 0.85
"""How many of these motors have one of those numbers; common practice."""
LEAST_USUAL = 0.01
"""How usual an order must be at the least for an undescribed part to be pinned to it; our own choice."""
UNPINNED = 0.5
"""What is left of the weight of an undescribed part that no line pins down; by trial."""
MOST_FOLDS = 3
"""Folds of a fast motor's rate that are looked at: about 0, one and two times the frame rate, so up to 62 Hz at 25
frames a second; an idler's motor turns at up to 30 Hz."""
# Reach to either side that holds half of a hump, over its rate. A moving belt takes up new belt all the time, so a
# platter swings on it only for a cycle or two; a control that hunts and a platter on springs may ring for long.
HUMP_WIDTH = {"swing": 0.16, "hunting": 0.06, "chassis": 0.08}
HUMP_WIDTH_SPREAD = 0.5
"""Standard deviation of that reach's logarithm; both by trial."""
WRONG_SIZE = 0.05
WRONG_SIZE_SPREAD = 0.1
WRONG_SIZE_REACH = 0.2
"""How often a size in a description is plainly wrong, misread or mistyped; by how much then, as a standard deviation of
its logarithm; and how far off that is looked for. Our own choice."""
WRONG_SIZE_SHARE = 0.1
"""Share of the weighted power from which a line that no part explains puts a described size in doubt; our own
choice."""
RIGHT_SIZE_PEAK = 0.25
"""Peak of a line where the size has it, by that of the line in question, from which the size is right; our own
choice."""
NO_TRACE = {"belt": 0.5, "idler": 0.4}
"""How likely a drive shows not even a trace of its belt or idler where nothing hides it; by trial."""

_TINY = 1e-12
"""Keeps divisions finite where a line states no uncertainty."""

Array = NDArray[np.float64]


class DriveModel:
    """One kind of drive against the features: how the features are shared out, and how well it all fits."""

    def __init__(self, machine: Machine, reading: Reading, features: Sequence[Feature], *, described: bool) -> None:
        self.machine = machine
        self.reading = reading
        self.described = described
        self.pins: dict[str, Feature] = {}
        self.wrong_size: dict[str, Expected] = {}
        parts = expected_parts(machine, reading.nominal_rpm, turn_rate_hz=reading.turn_rate_hz)
        self.expected = [self._pinned(self._size_in_doubt(one, parts, features), features) for one in parts]
        self.expected += _lamp_beats(reading)
        low, high = reading.fluctuation.band_hz
        self.background = BACKGROUND_PRIOR / math.log(high / low)
        self.claims = {one.part: np.zeros(len(features)) for one in self.expected}
        self.evidence = 0.0
        self._share_out_lines(features)
        self._share_out_humps(features)
        self.evidence += self._no_trace()
        self._split_locked(features)

    def _no_trace(self) -> float:
        """What it says that neither belt nor idler shows at all."""
        part = "belt" if self.machine.drive == "belt" else "idler"
        claim = self.claims.get(part)
        if self.described or claim is None or np.any(claim > 0.5):
            return 0.0
        return math.log(NO_TRACE[part])

    def _share_out_lines(self, features: Sequence[Feature]) -> None:
        for place, feature in enumerate(features):
            if not feature.sharp:
                continue
            densities: dict[str, float] = {}
            for one in self.expected:
                density = self._density(one, feature, features)
                densities[one.part] = densities.get(one.part, 0.0) + density
            total = sum(densities.values()) + self.background
            self.evidence += _weight(feature) * math.log(total)
            for part, density in densities.items():
                self.claims[part][place] = density / total

    def _share_out_humps(self, features: Sequence[Feature]) -> None:
        """Every part that swings has one rate: each takes one hump at the most, in all ways that this can be done."""
        humps = [place for place, feature in enumerate(features) if not feature.sharp]
        parts: list[Expected | None] = [one for one in self.expected if not one.turns]
        total = 0.0
        for chosen in product([*parts, None], repeat=len(humps)):
            taken = [one for one in chosen if one is not None]
            if len({one.part for one in taken}) < len(taken):
                continue
            density = 1.0
            for place, one in zip(humps, chosen, strict=True):
                density *= self.background if one is None else self._swinging(one, features[place])
            total += density
            for place, one in zip(humps, chosen, strict=True):
                if one is not None:
                    self.claims[one.part][place] += density
        for place in humps:
            for claim in self.claims.values():
                claim[place] /= total
        self.evidence += math.log(total) * max((_weight(features[place]) for place in humps), default=0.0)

    def expected_of(self, part: str, *, near: float | None = None) -> Expected | None:
        """The rate expected of a part, the one nearest to an order where it has several."""
        own = [one for one in self.expected if one.part == part]
        if near is None or any(one.order is None for one in own):
            return own[0] if own else None
        return min(own, key=lambda one: abs(math.log((one.order or 1.0) / near)), default=None)

    def _pinned(self, one: Expected, features: Sequence[Feature]) -> Expected:
        """An undescribed turning part takes as its order the line that, with its multiples, explains most."""
        if not one.turns or one.order is not None or one.order_range is None or one.part == "poles":
            return one
        best, most, spread, pin = None, 0.0, 0.0, None
        for line in features:
            for multiple in range(1, 4 if one.part == "belt" else 2):
                order, sigma = line.order / multiple, line.order_sigma / multiple
                usual = one.usual(order)
                if not line.sharp or usual < LEAST_USUAL:
                    continue
                if abs(order - round(order)) < 2 * sigma and not (
                    one.part == "pulley" and mains_motor(line.frequency_hz)
                ):
                    continue
                if one.part == "belt" and order + 2 * sigma > 1 - 0.25 / self.reading.revolutions:
                    continue
                held = usual * sum(
                    other.share
                    for other in features
                    if other.sharp
                    and any(
                        abs(other.order - k * order) < 3 * math.hypot(k * sigma, other.order_sigma)
                        for k in range(1, HARMONICS[one.part] + 1)
                    )
                )
                if held > most:
                    best, most, spread, pin = order, held, sigma / order, line
        if best is None or pin is None:
            return one
        self.pins[one.part] = pin
        turn = self.reading.turn_rate_hz
        return Expected(one.part, True, best, best * turn, spread, "the rate that was seen", one.order_range)

    def _size_in_doubt(self, one: Expected, parts: Sequence[Expected], features: Sequence[Feature]) -> Expected:
        """A part whose size may be wrong, at the strongest line that no part explains, where that lies near its rate.

        The rate as described goes to `wrong_size`.
        """
        if one.size_mm is None or one.order is None:
            return one
        left = [line for line in features if line.sharp and not any(self._explains(part, line) for part in parts)]
        line = max(left, key=lambda left: left.share, default=None)
        if line is None or line.below or line.share < WRONG_SIZE_SHARE or not one.within(line.order):
            return one
        if abs(math.log(line.order / one.order)) > WRONG_SIZE_REACH:
            return one
        if any(
            self._explains(one, other, multiples=1) and other.peak_percent > RIGHT_SIZE_PEAK * line.peak_percent
            for other in features
            if other.sharp
        ):
            return one
        self.pins[one.part], self.wrong_size[one.part] = line, one
        return replace(
            one, order=line.order, frequency_hz=line.frequency_hz, tolerance=line.order_sigma / line.order, size_mm=None
        )

    def _explains(self, one: Expected, line: Feature, *, multiples: int | None = None) -> bool:
        """Whether a line lies where a described turning part shows, or one of its multiples."""
        if not one.turns or one.frequency_hz is None:
            return False
        rates = [k * one.frequency_hz for k in range(1, (multiples or HARMONICS[one.part]) + 1)]
        frames = self.reading.frame_rate_hz
        return any(
            abs(line.frequency_hz - folded_hz(rate, frames)) < 3 * math.hypot(line.sigma_hz, one.tolerance * rate)
            for rate in rates
        )

    def _density(self, one: Expected, feature: Feature, features: Sequence[Feature]) -> float:
        if not one.turns:
            return self._swinging(one, feature)
        prior = TURNING_PRIOR[one.part]
        if one.part == "poles" and one.order is None:
            return prior * self._any_pole(feature, features)
        if one.order is None and one.order_range is not None:
            return prior * UNPINNED * self._anywhere(one, feature)
        if one.order is None or one.frequency_hz is None:
            return 0.0
        total = 0.0
        for multiple in range(1, HARMONICS[one.part] + 1):
            total += self._multiple(one, multiple, feature, features)
        if feature is self.pins.get(one.part):
            total *= self._of_range(one)
        return prior * total

    def _anywhere(self, one: Expected, feature: Feature) -> float:
        """Density of a rate that may lie anywhere in a range, seen straight or folded by the frame rate."""
        frames = self.reading.frame_rate_hz
        rates = [fold * frames + side * feature.frequency_hz for fold in range(MOST_FOLDS) for side in (-1, 1)]
        usual = [
            one.usual(rate / self.reading.turn_rate_hz) * feature.frequency_hz / rate for rate in rates if rate > 0
        ]
        return sum(usual) / one.usual_width

    def _multiple(self, one: Expected, multiple: int, feature: Feature, features: Sequence[Feature]) -> float:
        assert one.frequency_hz is not None
        rate = multiple * one.frequency_hz
        seen = folded_hz(rate, self.reading.frame_rate_hz)
        if seen <= 0:
            return 0.0
        sigma = math.hypot(feature.sigma_hz, one.tolerance * rate)
        density = _bell((feature.frequency_hz - seen) / sigma) / sigma * feature.frequency_hz
        weight = HARMONIC_FALL ** (multiple - 1)
        if multiple > 1 and density > 0 and not self._companions(one, multiple, feature, features):
            weight *= LOBED if one.part == "platter" and multiple <= MOST_LOBES else LONELY
        return weight * density

    def _companions(self, one: Expected, multiple: int, feature: Feature, features: Sequence[Feature]) -> bool:
        """Whether slower multiples of the same part show too."""
        assert one.frequency_hz is not None
        seen = 0
        for lower in range(1, multiple):
            rate = lower * one.frequency_hz
            seen += any(
                other.sharp
                and other is not feature
                and other.peak_percent > COMPANION_SHARE * feature.peak_percent
                and abs(other.frequency_hz - rate) < 3 * math.hypot(other.sigma_hz, one.tolerance * rate)
                for other in features
            )
        return seen >= min(multiple - 1, FEWEST_COMPANIONS)

    def _of_range(self, one: Expected) -> float:
        """What pinning an undescribed part to a seen rate costs: it could have been anywhere in its range.

        Half of the undescribed belt-drive motors run by the mains, at a few known rates. A described part may be
        there only if its size is wrong.
        """
        assert one.order is not None
        assert one.frequency_hz is not None
        described = self.wrong_size.get(one.part)
        if described is not None and described.order is not None:
            off = math.log(one.order / described.order) / WRONG_SIZE_SPREAD
            return WRONG_SIZE * _bell(off) / WRONG_SIZE_SPREAD * one.tolerance * math.sqrt(2 * math.pi)
        anywhere = one.usual(one.order) * one.tolerance * math.sqrt(2 * math.pi) / one.usual_width
        if one.part != "pulley" or self.machine.drive != "belt":
            return anywhere
        mains = sum(
            _bell(math.log(one.frequency_hz / rate) / MAINS_MOTOR_TOLERANCE) / MAINS_MOTOR_TOLERANCE
            for rate in MAINS_MOTORS.values()
        ) / len(MAINS_MOTORS)
        spread = one.tolerance * math.sqrt(2 * math.pi)
        return (1 - MAINS_MOTOR_SHARE) * anywhere + MAINS_MOTOR_SHARE * mains * spread

    def _any_pole(self, feature: Feature, features: Sequence[Feature]) -> float:
        """A line at a whole order that stands alone, one of the many numbers of poles there are."""
        whole = round(feature.order)
        if not 3 <= whole <= 40:
            return 0.0
        tied = Expected("platter", True, 1.0, self.reading.turn_rate_hz, 0.0, "")
        if self._companions(tied, whole, feature, features):
            return 0.0
        usual = whole in USUAL_POLES
        chance = USUAL_POLE_SHARE / len(USUAL_POLES) if usual else (1 - USUAL_POLE_SHARE) / (38 - len(USUAL_POLES))
        sigma = feature.order_sigma
        return _bell((feature.order - whole) / sigma) / sigma * whole * chance

    def _swinging(self, one: Expected, feature: Feature) -> float:
        assert one.frequency_hz is not None
        prior = SWINGING_PRIOR[one.part]
        machine = self.machine
        if one.part == "chassis" and machine.sprung is None:
            prior *= IF_UNDESCRIBED * (0.3 if machine.drive != "belt" else 1.0)
        if one.part == "hunting" and machine.motor is None and machine.drive != "direct":
            prior *= IF_UNDESCRIBED if machine.drive == "belt" else 0.0
        if feature.sharp:
            clear = feature.peak_percent / max(feature.peak_sigma_percent, _TINY)
            prior *= SWINGS_AS_LINE * min(1.0, PURE_FROM / clear)
        spread = one.tolerance
        if not feature.sharp:
            spread = math.hypot(one.tolerance, 0.1)
            off = math.log(feature.sigma_hz / feature.frequency_hz / HUMP_WIDTH[one.part]) / HUMP_WIDTH_SPREAD
            prior *= _bell(off if one.part == "swing" else max(0.0, off)) / HUMP_WIDTH_SPREAD
        return prior * _bell(math.log(feature.frequency_hz / one.frequency_hz) / spread) / spread

    def _split_locked(self, features: Sequence[Feature]) -> None:
        """Divide what is tied to the platter between a part off centre, a tight bearing, and one out of round."""
        tied = self.claims.get("platter")
        if tied is None:
            return
        amplitude, noise, counted = self._tied_orders(features, tied)
        spot = spot_shares(
            amplitude,
            noise,
            turn_rate_hz=self.reading.turn_rate_hz,
            spring_hz=self._spring_hz(),
            damping=SPRING_DAMPING[self.machine.drive],
            counted=counted,
        )
        first, rest = amplitude[0], amplitude[1:] * np.sqrt(counted[1:])
        of_spot = _beyond_off_centre(first, rest * np.sqrt(spot[1:]))
        of_all = _beyond_off_centre(first, rest)
        bearing, lobes = np.zeros(len(features)), np.zeros(len(features))
        for place, feature in enumerate(features):
            order = max(1, round(feature.order))
            if order == 1:
                bearing[place] = of_spot
                continue
            # A multiple too fast to be looked at singly goes as the slower ones together.
            within = spot[order - 1] if order <= spot.size else of_spot / max(of_all, _TINY)
            lobes[place] = of_all * (1 - within) * (1 - UNEVEN_BUSH)
            bearing[place] = of_all - lobes[place]
        self.claims["bearing"] = tied * bearing
        self.claims["lobes"] = tied * lobes
        self.claims["platter"] = tied * (1 - bearing - lobes)

    def _tied_orders(self, features: Sequence[Feature], tied: Array) -> tuple[Array, Array, Array]:
        """Amplitude once, twice, ... a turn, what noise gives there, and how much of each is tied to the platter."""
        top = self.reading.fluctuation.band_hz[1] / self.reading.turn_rate_hz
        highest = min(HIGHEST_LOCKED, max(1, int(top)))
        counted: Array = np.zeros(highest)
        peaks: Array = np.zeros(highest)
        unsure = 0.0
        for feature, claim in zip(features, tied, strict=True):
            order = round(feature.order)
            if feature.sharp and 1 <= order <= highest and claim > counted[order - 1]:
                counted[order - 1], peaks[order - 1] = claim, feature.peak_percent
                unsure = max(unsure, feature.peak_sigma_percent / order)
        if self.reading.series is not None and self.reading.revolutions >= 2:
            found = locked_amplitudes(self.reading.series, highest=highest)
            return found, locked_noise(self.reading.series, highest=highest), counted
        # The angle's noise makes one of the speed that grows with the order.
        unseen: Array = UNSEEN_SIGMAS * unsure * np.arange(1.0, highest + 1)
        return peaks, unseen, counted

    def _spring_hz(self) -> tuple[float, float]:
        """Between which rates the platter swings on what drives it."""
        if self.machine.drive == "idler":
            return IDLER_SPRING_HZ
        swing = self.expected_of("swing")
        if swing is None or swing.frequency_hz is None:
            middle, spread = HUNTING_HZ, HUNTING_SPREAD
        else:
            middle, spread = swing.frequency_hz, swing.tolerance
        reach = math.exp(SPRING_SPREADS * spread)
        return middle / reach, middle * reach


def _beyond_off_centre(first: float, multiples: Array) -> float:
    """How likely more than a part off centre is at work, 0 to 1, by the strength of the multiples of once a turn."""
    rich = float(np.linalg.norm(multiples)) / max(float(first), 1e-9)
    return 1 / (1 + (rich / RICH) ** -RICH_SLOPE) if rich > 0 else 0.0


def mains_motor(frequency_hz: float) -> tuple[int, int] | None:
    """Mains in Hz and poles of the usual motor that turns at a rate, whose order may well be a whole number."""
    for kind, rate in MAINS_MOTORS.items():
        if abs(math.log(frequency_hz / rate)) < 2 * MAINS_MOTOR_TOLERANCE:
            return kind
    return None


def _lamp_beats(reading: Reading) -> list[Expected]:
    """Where a lamp that flickers would beat with the frames."""
    if reading.flash_rate_hz is None:
        return []
    rates = {folded_hz(k * reading.flash_rate_hz, reading.frame_rate_hz) for k in (1, 2)}
    turn, low = reading.turn_rate_hz, reading.fluctuation.band_hz[0]
    return [
        Expected("camera", True, rate / turn, rate, LAMP_TOLERANCE, "lamp against frames")
        for rate in rates
        if rate > low
    ]


def _weight(feature: Feature) -> float:
    """How much a feature's place says about the kind of drive: faint ones little."""
    return min(1.0, feature.peak_percent / max(5 * feature.peak_sigma_percent, _TINY)) * min(
        1.0, 0.2 + 5 * feature.share
    )


def _bell(distance: float) -> float:
    return math.exp(-0.5 * min(distance * distance, 1000.0)) / math.sqrt(2 * math.pi)
