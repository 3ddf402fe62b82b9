"""A guided trim of a machine with separate adjustments: pitch control, warm-up, 33 1/3, 45, and 33 1/3 again.

The steps are driven by live updates and by the person at the machine, who says when a step is done. Both speeds are
read before anything is turned, since their trimmers interact; for the same reason each speed is read again, with
nothing turned, once the other was trimmed, and trimmed anew where it is not right, until both are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from strobe.live.records import LiveUpdate, WarmUp
from strobe.live.warmup import WarmUpWatch
from strobe.measurement import Measurement

__all__ = ["CAUTIONS", "Found", "Outcome", "TrimReport", "TrimRun"]

Outcome = Literal["inside", "outside", "undecided"]

CAUTIONS = (
    "Trimmers often sit near mains wiring. Only a competent person opens the machine, by the rules of the country.",
    "Covers stay on, and the adjustments that can be reached from outside are used, wherever there are any.",
    "Use an insulated tool, one hand, and nothing that dangles; keep clear of turning parts.",
    "Dots that look still do not mean a platter that stands still.",
)
_LOW_RPM, _HIGH_RPM = 100 / 3, 45.0
"""The two nominal speeds that are trimmed."""
_STEADY_TURNS = 3
"""Turns that a figure must rest on before a step can be done; our own choice."""
_MOST_ROUNDS = 8
"""Times that one speed is trimmed and the other read again at most, the first trimming of both counting once; our own
choice."""
_SAME_SPEED = 0.02
"""Relative; nominal speeds lie 35 % and more apart."""
_FRESH_S = 2.0
"""For so long a steady figure counts on while the words on the screen change to settling and back."""
_ASKS = {
    "centre": "Set the pitch control to its centre mark and choose 33 1/3. Touch no trimmer yet.",
    "warm-up": "Let it run warm until the speed has settled; this step then ends by itself.",
    "low as found": "Turn nothing yet: 33 1/3 is read as it was found.",
    "high as found": "Switch to 45 and turn nothing: it is read as it was found.",
    "low": "Switch back to 33 1/3 and trim it until it says stop, then as near to 0 as it goes.",
    "high": "Switch to 45 and trim that until it says stop, then as near to 0 as it goes.",
    "low again": "Switch back to 33 1/3 and turn nothing: it is read again, since the trimmers interact.",
    "low anew": "Choose 33 1/3, which is not right yet, and trim it until it says stop, then as near to 0 as it goes.",
    "high again": "Switch to 45 and turn nothing: it is read again, since the trimmers interact.",
    "high anew": "Choose 45, which is not right yet, and trim it until it says stop, then as near to 0 as it goes.",
    "slow stop": "Turn the pitch control to its slow stop, and wait until it is steady.",
    "fast stop": "Turn the pitch control to its fast stop, and wait until it is steady.",
    "end": "Set the pitch control back to its centre mark. Press q to end.",
}
_MAY_BE_LEFT_OUT = ("warm-up", "low as found", "high as found", "slow stop", "fast stop")
_TRIMS = ("low", "high", "low anew", "high anew")
_CHECKS = ("low again", "high again")
_SPEED = dict.fromkeys(("centre", "warm-up", "low as found", "low", "low again", "low anew"), _LOW_RPM)
_SPEED |= dict.fromkeys(("high as found", "high", "high again", "high anew"), _HIGH_RPM)


@dataclass(frozen=True)
class Found:
    """A steady figure of one speed: percent with its 95 % half-width, and when it was read."""

    nominal_rpm: float
    deviation_percent: float
    uncertainty_percent: float
    time_s: float


@dataclass(frozen=True)
class TrimReport:
    """How the speeds stood before and after.

    Attributes
    ----------
    as_found, as_left : tuple of Found
        One for each speed that was read before anything was turned, and one for each that was trimmed.
    pitch_range : tuple of Found
        At the stops of the pitch control, where they were tried.
    settled_after_s : float or None
        How long the warm-up took; None where it was left out or ended before the speed had settled.
    rounds : int
        How often both speeds were gone through: first both trimmed, then one trimmed and the other read again.
    band_percent : float
        What was asked for, plus or minus.
    outcome : str
        ``inside`` where both speeds stand inside that band with their whole uncertainty, ``outside`` where one stands
        outside with all of it, else ``undecided``, also where a speed was not read.
    not_read_rpm : tuple of float
        Nominal speeds that were not read after anything was last turned that may have moved them.

    Notes
    -----
    The rule of the outcome is that of the limits on the bench: a guard band as wide as the 95 % half-width (in the
    manner of JCGM 106:2012 clause 8.3, from memory).
    """

    as_found: tuple[Found, ...]
    as_left: tuple[Found, ...]
    pitch_range: tuple[Found, ...]
    settled_after_s: float | None
    rounds: int
    band_percent: float
    outcome: Outcome
    not_read_rpm: tuple[float, ...]


class TrimRun:
    """The steps of a guided trim; give it every update, and say `done` when the person says so.

    Parameters
    ----------
    band_percent : float
        What counts as right, plus or minus.
    watch : WarmUpWatch or None
        Of the warm-up; None for the usual one.
    """

    def __init__(self, band_percent: float, *, watch: WarmUpWatch | None = None) -> None:
        self._band = band_percent
        self._watch = watch or WarmUpWatch()
        self._settled_after_s: float | None = None
        self._found: dict[float, Found] = {}
        self._left: dict[float, Found] = {}
        self._measured: dict[tuple[bool, float], Measurement] = {}
        self._range: list[Found] = []
        self._steps = ["centre", "warm-up", "low as found", "high as found", "low", "high", "low again"]
        self._steps += ["slow stop", "fast stop"]
        self._rounds = 1
        self._not_read = {_LOW_RPM, _HIGH_RPM}
        self._first: Found | None = None
        self._newest: Found | None = None

    @property
    def step(self) -> str:
        """Name of the step that is on; ``end`` after the last."""
        return self._steps[0] if self._steps else "end"

    @property
    def asks(self) -> str:
        """What the person is to do now, and which key ends the step."""
        step = self.step
        if step == "end":
            return _ASKS[step]
        out = ", s leaves it out" if step in _MAY_BE_LEFT_OUT else ""
        return f"{_ASKS[step]} Space bar: done{out}."

    @property
    def warm_up(self) -> WarmUp:
        """How the warm-up stands."""
        return self._watch.result()

    @property
    def keeps_reading(self) -> bool:
        """Whether a full reading belongs to the end of this step."""
        return self.step.endswith("as found") or self.step in (*_TRIMS, *_CHECKS)

    @property
    def measured(self) -> tuple[tuple[bool, Measurement], ...]:
        """The full readings that were given to `done`: whether as left (else as found), and the reading.

        None of a speed that may have moved since.
        """
        moved = self._not_read
        return tuple((left, one) for (left, rpm), one in self._measured.items() if not left or _usual(rpm) not in moved)

    def take(self, update: LiveUpdate) -> None:
        """Note a steady figure of the speed that is on."""
        newest = self._newest
        if newest is not None and (update.deviation_percent is None or update.time_s - newest.time_s > _FRESH_S):
            self._newest = None
        if self.step == "warm-up":
            self._watch.take(update)
            self._settled_after_s = self._watch.result().settled_after_s
            if self._settled_after_s is not None:
                self._next()
        if (
            update.state != "steady"
            or update.turns < _STEADY_TURNS
            or update.deviation_percent is None
            or update.uncertainty_percent is None
            or update.nominal_rpm is None
        ):
            return
        self._newest = Found(update.nominal_rpm, update.deviation_percent, update.uncertainty_percent, update.time_s)
        if self._first is None and _is(self._newest, _SPEED.get(self.step, update.nominal_rpm)):
            self._first = self._newest

    def refuses(self) -> str:
        """Why the step can't be called done yet; empty where it can."""
        if self.step == "end":
            return ""
        if self._newest is None:
            return "Not yet: wait until the readout is steady for three turns."
        wanted = _SPEED.get(self.step)
        if wanted is not None and not _is(self._newest, wanted):
            return f"{'33 1/3' if wanted == _LOW_RPM else '45'} is not on."
        return ""

    def done(self, measurement: Measurement | None = None) -> str:
        """The person says that the step is done; why it is not, or nothing where the next one begins.

        `measurement` is the full reading of what is on now, kept as found or as left.
        """
        why, newest = self.refuses(), self._newest
        if why or newest is None:
            return why
        step = self.step
        left = step in (*_TRIMS, *_CHECKS)
        turned = step in _TRIMS or (step in _CHECKS and self._moved(newest))
        if left:
            self._left[newest.nominal_rpm] = newest
            self._not_read.discard(_SPEED[step])
            if turned:
                self._not_read.add(_HIGH_RPM if _SPEED[step] == _LOW_RPM else _LOW_RPM)
        elif step.endswith("as found"):
            self._found[newest.nominal_rpm] = newest
        elif step.endswith("stop"):
            self._range.append(newest)
        if measurement is not None and self.keeps_reading:
            self._measured[left, newest.nominal_rpm] = measurement
        self._next()
        if step in _CHECKS:
            self._go_round(step, turned=turned)
        return ""

    def leave_out(self) -> str:
        """The person leaves the step out; why that can't be, or nothing where the next one begins."""
        if self.step not in _MAY_BE_LEFT_OUT:
            return "This step can't be left out."
        self._next()
        return ""

    def report(self) -> TrimReport:
        """As found and as left, so far as was gone through."""
        return TrimReport(
            as_found=tuple(self._found.values()),
            as_left=tuple(self._left.values()),
            pitch_range=tuple(self._range),
            settled_after_s=self._settled_after_s,
            rounds=self._rounds,
            band_percent=self._band,
            outcome=self._outcome(),
            not_read_rpm=tuple(sorted(self._not_read)),
        )

    def _next(self) -> None:
        self._steps.pop(0)
        self._first = self._newest = None

    def _moved(self, newest: Found) -> bool:
        """Whether a speed that was only to be read moved meanwhile: somebody turned something nevertheless."""
        first = self._first or newest
        unsure = math.hypot(first.uncertainty_percent, newest.uncertainty_percent)
        return abs(newest.deviation_percent - first.deviation_percent) > unsure

    def _go_round(self, step: str, *, turned: bool) -> None:
        """After a speed was read again: trim anew what is not right, and read again what that may have moved."""
        if self._rounds == _MOST_ROUNDS:
            return
        low, high = ("low anew", "high again"), ("high anew", "low again")
        (trim_this, read_other), (trim_other, read_this) = (low, high) if step == "low again" else (high, low)
        if not self._right(_SPEED[step]):
            more = [trim_this, read_other]
        elif turned:
            more = [read_other]
        elif not self._right(_SPEED[read_other]):
            more = [trim_other, read_this]
        else:
            return
        self._rounds += 1
        self._steps = [*more, *self._steps]

    def _right(self, rpm: float) -> bool:
        """Whether a speed is inside; or can't be told from 0, where no trimming could tell more."""
        one = self._as_left(rpm)
        return one is not None and (
            self._judged(one) == "inside" or abs(one.deviation_percent) <= one.uncertainty_percent
        )

    def _outcome(self) -> Outcome:
        results = {self._judged(self._as_left(rpm)) for rpm in (_LOW_RPM, _HIGH_RPM) if rpm not in self._not_read}
        if "outside" in results:
            return "outside"
        return "undecided" if self._not_read or "undecided" in results else "inside"

    def _judged(self, one: Found | None) -> Outcome:
        if one is None:
            return "undecided"
        size, unsure = abs(one.deviation_percent), one.uncertainty_percent
        return "inside" if size + unsure <= self._band else "outside" if size - unsure > self._band else "undecided"

    def _as_left(self, rpm: float) -> Found | None:
        return next((one for one in self._left.values() if _is(one, rpm)), None)


def _is(one: Found, rpm: float) -> bool:
    return abs(one.nominal_rpm / rpm - 1) < _SAME_SPEED


def _usual(rpm: float) -> float:
    return min(_LOW_RPM, _HIGH_RPM, key=lambda each: abs(each - rpm))
