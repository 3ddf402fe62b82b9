"""A guided trim of a machine with separate adjustments: pitch control, warm-up, 33 1/3, 45, and 33 1/3 again.

The steps are driven by live updates and by the person at the machine, who says when a step is done. Both speeds are
read before anything is turned, since their trimmers interact; for the same reason the round is gone through
again until both are inside the band.
"""

from __future__ import annotations

from dataclasses import dataclass

from strobe.live.records import LiveUpdate, WarmUp
from strobe.live.warmup import WarmUpWatch
from strobe.measurement import Measurement

__all__ = ["CAUTIONS", "Found", "TrimReport", "TrimRun"]

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
_MOST_ROUNDS = 4
"""Times that both speeds are gone through at most; our own choice."""
_SAME_SPEED = 0.02
"""Relative; nominal speeds lie 35 % and more apart."""
_FRESH_S = 2.0
"""For so long a steady figure counts on while the words on the screen change to settling and back."""
_ASKS = {
    "centre": "Set the pitch control to its centre mark and choose 33 1/3. Touch no trimmer yet.",
    "warm-up": "Let it run warm until the speed has settled; this step then ends by itself.",
    "low as found": "Turn nothing yet: 33 1/3 is read as it was found.",
    "high as found": "Switch to 45 and turn nothing: it is read as it was found.",
    "low": "Switch back to 33 1/3 and trim it until it says stop.",
    "high": "Switch to 45 and trim that until it says stop.",
    "low again": "Switch back to 33 1/3, since the trimmers interact, and trim it again.",
    "slow stop": "Turn the pitch control to its slow stop, and wait until it is steady.",
    "fast stop": "Turn the pitch control to its fast stop, and wait until it is steady.",
    "end": "Set the pitch control back to its centre mark. Press q to end.",
}
_MAY_BE_LEFT_OUT = ("warm-up", "low as found", "high as found", "slow stop", "fast stop")
_TRIMS = ("low", "high", "low again")
_SPEED = dict.fromkeys(("centre", "warm-up", "low as found", "low", "low again"), _LOW_RPM) | {
    "high as found": _HIGH_RPM,
    "high": _HIGH_RPM,
}


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
        How often both speeds were gone through.
    inside : bool
        Whether both speeds were left inside the band.
    """

    as_found: tuple[Found, ...]
    as_left: tuple[Found, ...]
    pitch_range: tuple[Found, ...]
    settled_after_s: float | None
    rounds: int
    inside: bool


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
        return self.step.endswith("as found") or self.step in _TRIMS

    @property
    def measured(self) -> tuple[tuple[bool, Measurement], ...]:
        """The full readings that were given to `done`: whether as left (else as found), and the reading."""
        return tuple((left, one) for (left, _), one in self._measured.items())

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
        left = step in _TRIMS
        if left:
            self._left[newest.nominal_rpm] = newest
        elif step.endswith("as found"):
            self._found[newest.nominal_rpm] = newest
        elif step.endswith("stop"):
            self._range.append(newest)
        if measurement is not None and self.keeps_reading:
            self._measured[left, newest.nominal_rpm] = measurement
        self._next()
        if step == "low again" and not self._inside() and self._rounds < _MOST_ROUNDS:
            self._rounds += 1
            self._steps = ["high", "low again", *self._steps]
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
            inside=self._inside(),
        )

    def _next(self) -> None:
        self._steps.pop(0)
        self._newest = None

    def _inside(self) -> bool:
        speeds = [next((one for one in self._left.values() if _is(one, rpm)), None) for rpm in (_LOW_RPM, _HIGH_RPM)]
        return all(one is not None and abs(one.deviation_percent) <= self._band for one in speeds)


def _is(one: Found, rpm: float) -> bool:
    return abs(one.nominal_rpm / rpm - 1) < _SAME_SPEED
