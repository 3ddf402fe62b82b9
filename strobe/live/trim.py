"""A guided trim of a machine with separate adjustments: pitch control, 33 1/3, 45, and 33 1/3 again.

The steps are driven by live updates and by the person at the machine, who says when a step is done. Trimmers of the two
speeds interact, so that the round is gone through again until both are inside the band.
"""

from __future__ import annotations

from dataclasses import dataclass

from strobe.live.records import LiveUpdate

__all__ = ["CAUTIONS", "Found", "TrimReport", "TrimRun"]

CAUTIONS = (
    "Trimmers often sit near mains wiring. Only a competent person opens the machine, by the rules of the country.",
    "Covers stay on, and the adjustments that can be reached from outside are used, wherever there are any.",
    "Use an insulated tool, one hand, and nothing that dangles; keep clear of turning parts.",
    "Dots that look still do not mean a platter that stands still.",
)
_LOW_RPM, _HIGH_RPM = 100 / 3, 45.0
_STEADY_TURNS = 3
_MOST_ROUNDS = 4
_SAME_SPEED = 0.02


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
        One for each speed, in the order in which they were met; the last steady figure counts as left.
    pitch_range : tuple of Found
        At the stops of the pitch control, where they were tried.
    rounds : int
        How often both speeds were gone through.
    inside : bool
        Whether both speeds were left inside the band.
    """

    as_found: tuple[Found, ...]
    as_left: tuple[Found, ...]
    pitch_range: tuple[Found, ...]
    rounds: int
    inside: bool


class TrimRun:
    """The steps of a guided trim; give it every update, and say `done` when the person says so.

    Parameters
    ----------
    band_percent : float
        What counts as right, plus or minus.
    """

    def __init__(self, band_percent: float) -> None:
        self._band = band_percent
        self._found: dict[float, Found] = {}
        self._left: dict[float, Found] = {}
        self._range: list[Found] = []
        self._steps = ["centre", "low", "high", "low again"]
        self._rounds = 1
        self._newest: Found | None = None

    @property
    def step(self) -> str:
        """``centre``, ``low``, ``high``, ``low again``, ``slow stop``, ``fast stop`` or ``end``."""
        return self._steps[0] if self._steps else "end"

    @property
    def asks(self) -> str:
        """What the person is to do now, and what ends the step."""
        return {
            "centre": "Set the pitch control to its centre mark, choose 33 1/3, and let the machine run warm. "
            "Then press the space bar.",
            "low": "Trim 33 1/3 until it says stop, then press the space bar.",
            "high": "Switch to 45 and trim that until it says stop, then press the space bar.",
            "low again": "Switch back to 33 1/3 (the trimmers interact), trim it again, then press the space bar.",
            "slow stop": "Pitch control to its slow stop; press the space bar when it is steady.",
            "fast stop": "Pitch control to its fast stop; press the space bar when it is steady.",
            "end": "Pitch control back to its centre mark. Press q to end.",
        }[self.step]

    def take(self, update: LiveUpdate) -> None:
        """Note a steady figure of the speed that is on."""
        self._newest = None
        if (
            update.state != "steady"
            or update.turns < _STEADY_TURNS
            or update.deviation_percent is None
            or update.uncertainty_percent is None
            or update.nominal_rpm is None
        ):
            return
        one = Found(update.nominal_rpm, update.deviation_percent, update.uncertainty_percent, update.time_s)
        self._newest = one
        if self.step not in ("slow stop", "fast stop", "end"):
            self._found.setdefault(one.nominal_rpm, one)
            self._left[one.nominal_rpm] = one

    def done(self) -> str:
        """The person says that the step is done; why it is not, or nothing where the next one begins."""
        newest = self._newest
        if self.step == "end":
            return ""
        if newest is None:
            return "Not yet: wait until the readout is steady for three turns."
        if self.step in ("centre", "low", "low again") and not _is(newest, _LOW_RPM):
            return "33 1/3 is not on."
        if self.step == "high" and not _is(newest, _HIGH_RPM):
            return "45 is not on."
        if self.step.endswith("stop"):
            self._range.append(newest)
        last = self.step
        self._steps.pop(0)
        if last == "low again":
            again = not self._inside() and self._rounds < _MOST_ROUNDS
            self._rounds += again
            self._steps = ["high", "low again"] if again else ["slow stop", "fast stop"]
        self._newest = None
        return ""

    def report(self) -> TrimReport:
        """As found and as left, so far as was gone through."""
        return TrimReport(
            as_found=tuple(self._found.values()),
            as_left=tuple(self._left.values()),
            pitch_range=tuple(self._range),
            rounds=self._rounds,
            inside=self._inside(),
        )

    def _inside(self) -> bool:
        speeds = [next((one for one in self._left.values() if _is(one, rpm)), None) for rpm in (_LOW_RPM, _HIGH_RPM)]
        return all(one is not None and abs(one.deviation_percent) <= self._band for one in speeds)


def _is(one: Found, rpm: float) -> bool:
    return abs(one.nominal_rpm / rpm - 1) < _SAME_SPEED
