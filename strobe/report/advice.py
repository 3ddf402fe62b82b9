"""The one next step that a reading ends with, and what a longer clip would bring."""

from __future__ import annotations

from strobe.measurement import Measurement, Setup
from strobe.report.words import how_often, period_words, rounded

__all__ = ["ENOUGH_TURNS", "KEEP", "longer_clip", "next_step"]

TRIM_PERCENT = 0.3
"""Speed error, as it is shown, from which a trim is advised: the broadcast limit for turntables (NAB 1964, value from
memory)."""
DOUBTFUL_PERCENT = 3.0
"""Speed error from which a wrong count of dots or the wrong speed is likelier than a machine out of trim; our own
choice."""
HIFI_WEIGHTED_PEAK_PERCENT = 0.2
"""Weighted peak that a hi-fi record player may show (DIN 45500)."""
ENOUGH_TURNS = 5.0
"""Turns below which a wobble once a turn is told from its neighbours only roughly; the number is our own choice."""
KEEP = "Keep this reading (--job NAME) to compare with the one after the next repair."
"""What to do with a reading that asks for nothing and was not filed."""


def next_step(measurement: Measurement) -> tuple[str, bool] | None:
    """The one thing that the reading itself asks for, and whether it leads a person into the machine; None for nothing.

    A part of the drive is never named here: that takes a description of the machine.
    """
    speed, setup, fluctuation = measurement.speed, measurement.setup, measurement.fluctuation
    off = abs(speed.deviation_percent)
    clear = off > speed.uncertainty_percent
    unsteady = fluctuation.weighted_peak_percent - fluctuation.weighted_peak_uncertainty_percent
    if clear and off > DOUBTFUL_PERCENT and {"dots", "nominal_rpm"} & set(setup.assumed):
        return _doubt(setup)
    if speed.revolutions < ENOUGH_TURNS:
        return (
            f"Film 30 s or longer: {speed.revolutions:.1f} turns are too few to tell a wobble once a turn "
            "from its neighbours.",
            False,
        )
    if clear and round(off, rounded(speed.uncertainty_percent)) >= TRIM_PERCENT:
        way = "down" if speed.deviation_percent > 0 else "up"
        return (
            f"Let it run warm, then trim the pitch {way} by {off:.1f} % and film again. If it has no "
            "trimmer, see what sets the speed: belt seat, pulley step, mains setting.",
            True,
        )
    if unsteady > HIFI_WEIGHTED_PEAK_PERCENT and measurement.components:
        return _wobble_step(measurement)
    if measurement.timing.reference == "lamp" and measurement.timing.flash_rate_source == "nominal":
        return (
            "For the true rpm film once more with bright light and a shutter of 1/500 s or shorter, so that "
            "the camera's own clock times the dots instead of the mains.",
            False,
        )
    return None


def longer_clip(measurement: Measurement) -> list[str]:
    """What a longer clip would bring, where it would bring much."""
    fluctuation = measurement.fluctuation
    longer, now = fluctuation.longer, fluctuation.weighted_peak_uncertainty_percent
    if longer is None:
        return []
    then = longer.weighted_peak_uncertainty_percent
    decimals = rounded(then)
    return [
        f"{longer.seconds:.0f} s would tell the weighted peak to ±{then:.{decimals}f} % instead of "
        f"±{now:.{decimals}f} %."
    ]


def _doubt(setup: Setup) -> tuple[str, bool]:
    """What to say of the setup where the speed is too far off to be believed; only what was assumed is asked for."""
    if "dots" not in setup.assumed:
        return "So large an error is more often another speed: measure again with --rpm.", False
    more = " and --rpm" if "nominal_rpm" in setup.assumed else ""
    return (
        "So large an error is more often a wrong count of dots or another speed: count the dots of "
        f"the row round the rim, and measure again with --dots{more}.",
        False,
    )


def _wobble_step(measurement: Measurement) -> tuple[str, bool]:
    heaviest = max(measurement.components, key=lambda component: component.weighted_percent)
    turn_rate_hz = measurement.speed.mean_rpm / 60
    often = how_often(heaviest, turn_rate_hz=turn_rate_hz)
    if often == "once a turn":
        return (
            "Film once more from the opposite side of the spindle: a ring of dots that sits off centre looks "
            "just like a wobble once a turn (0.1 mm on a 155 mm rim reads 0.065 %).",
            False,
        )
    return (
        f"Film the same machine at another of its speeds: whether the wobble stays {often} or keeps its "
        f"{period_words(heaviest.period_s)} tells what kind of part makes it.",
        False,
    )
