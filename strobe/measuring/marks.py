"""What a mark that passes once a turn says of the speed, beside what the dots or bars say."""

from __future__ import annotations

import numpy as np

from strobe.errors import Refused
from strobe.figures.results import Figures
from strobe.measurement import IndexMark, Note, Speed
from strobe.measuring.clock import CameraClock
from strobe.measuring.options import Told
from strobe.measuring.speedbudget import end_to_end_deviation_percent
from strobe.phase.mark import MarkCourse

__all__ = ["index_mark", "notes_of_mark", "refuse_by_mark"]

_DISAGREES = 1.3
"""From how many half-widths of their difference on mark and reading contradict each other."""
_OTHER_COUNT_PERCENT, _ENOUGH_TURNS = 0.3, 4.0
"""A contradiction so large is another count, line or alias: the next count to 216 is 0.46 % away; and from how many
turns on a mark's word is worth more than what was told (by choice)."""


def index_mark(
    mark: MarkCourse | None, speed: Speed, figures: Figures, nominal_rpm: float, clock: CameraClock
) -> IndexMark | None:
    """The mark's own word on the speed, and whether it goes with that of the reading; None where none was followed."""
    if mark is None:
        return None
    rpm = 60 * mark.rate_hz
    uncertainty = float(np.hypot(100 * mark.uncertainty_hz / mark.rate_hz, clock.uncertainty_percent))
    difference = 100 * (rpm - speed.mean_rpm) / nominal_rpm
    # The mark's is a mean over all of its course, the reading's one over whole turns.
    stretch = end_to_end_deviation_percent(figures) - figures.deviation_percent
    allowed = float(np.linalg.norm([uncertainty, speed.uncertainty_percent, stretch]))
    return IndexMark(
        angle_rev=mark.angle_rev,
        angle_uncertainty_rev=mark.angle_uncertainty_rev,
        turn_s=1 / mark.rate_hz,
        turn_uncertainty_s=uncertainty / 100 / mark.rate_hz,
        turns=mark.turns,
        mean_rpm=rpm,
        deviation_percent=100 * (rpm / nominal_rpm - 1),
        uncertainty_percent=uncertainty,
        difference_percent=difference,
        agrees=abs(difference) <= _DISAGREES * allowed,
        passes_s=mark.passes_s,
    )


def refuse_by_mark(index: IndexMark | None, told: Told, *, pattern: str) -> None:
    """Refuse a reading of the `pattern`, the dots or the bars, when a mark that was seen often enough contradicts it.

    Raises
    ------
    Refused
        ``ambiguous`` when the mark takes another time for a turn by as much as another count would make it.
    """
    if index is None or index.agrees or index.turns < _ENOUGH_TURNS:
        return
    if abs(index.difference_percent) < _OTHER_COUNT_PERCENT:
        return
    advice = told.advice("--dots", "--mains", "--lamp")
    if told.given("--dots") is None:
        advice = f"Count the {pattern} of one turn for --dots. {told.advice('--mains', '--lamp')}"
    raise Refused(
        "ambiguous",
        f"The mark that passes takes {index.turn_s:.4f} s a turn, {index.mean_rpm:.3f} rpm, which is "
        f"{index.difference_percent:+.2f} % off what the {pattern} show by the count and the lamp that they were read "
        "with.",
        f"{advice}.",
    )


def notes_of_mark(index: IndexMark | None, *, pattern: str) -> tuple[Note, ...]:
    """What to beware of where the mark contradicts the `pattern`, the dots or the bars."""
    if index is None or index.agrees:
        return ()
    return (
        Note(
            "index-disagrees",
            f"The mark that passes takes {index.turn_s:.4f} s a turn, {index.mean_rpm:.3f} rpm, which is "
            f"{index.difference_percent:+.3f} % off what the {pattern} show: check --dots, --mains and --lamp.",
        ),
    )
