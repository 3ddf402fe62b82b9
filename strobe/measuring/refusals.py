"""What is said when a clip shows nothing that could be measured."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.measuring.options import Told
from strobe.pattern import PatternReading, RowSeries

__all__ = [
    "ROW_OF_DOTS",
    "far_off_centre",
    "not_counted",
    "not_turning",
    "nothing_to_read",
    "refuse_too_few_lit",
    "refuse_too_short",
    "refuse_what_is_flat",
    "refuse_what_shows_nothing",
    "upright_unclear",
    "wrong_lamp",
    "wrong_mains",
]

_LEAST_FRAMES = 24
"""Frames that rows are found and learned from (`strobe.pattern.learned.HELD`)."""
_LEAST_SECONDS = 2.0
"""A little more than one turn at 33 1/3 rpm (1.8 s), over whole numbers of which the speed is averaged."""
_LEAST_LIT, _LEAST_LIT_S = 16, 1.0
"""What `strobe.figures.evaluate` needs."""
_RESTLESS = 5.0
"""Change from frame to frame of the most restless band, by the usual one, that tells something turning (by trial)."""
_BLACK = 22.0
"""Mean grey level of a picture that counts as black: a little above the 16 of black in the limited range (by trial)."""
_MUCH_OF_IT = 0.4
"""Share of the least crowding that must be there: a phone near the rim sees 1.4 to 6 times the least (rendered clips),
fences and cloth hundredths of it."""
_UNEVEN_DOTS, _CUBIC_SCATTER, _SURE = 0.01, 13.2, 3.0
"""Gaps by which dots seem to stand off their places (some hundredths by print, of which the many that pass while the
row is learned leave this); the crowding of n dots that are off by a gap, ``13.2 / n^1.5`` (a cubic through them has
``5/2 sqrt(7 / n)``, the straight part ``n / 2``); and how many times that counts."""
ROW_OF_DOTS = 10
"""Dots in view from which their crowding is known; of fewer, the ends where the light fades are too large a part."""


def refuse_what_shows_nothing(pattern: PatternReading) -> None:
    """Refuse a clip that is too short or in which no row was found."""
    refuse_too_short(pattern)
    if not pattern.rows:
        raise nothing_to_read(pattern)


def refuse_too_short(pattern: PatternReading) -> None:
    """Refuse too few frames, or too little time between the first and the last, at the pace that it was filmed."""
    frames = pattern.time_s.size
    length = float(np.ptp(pattern.time_s)) if frames > 1 else 0.0
    if frames < _LEAST_FRAMES or length < _LEAST_SECONDS:
        if pattern.left_s is not None:
            raise Refused(
                "too-short",
                f"The picture zooms or leaps away from its dots after {length:.1f} s; at least {_LEAST_SECONDS:.0f} s "
                "before that are needed.",
                "Set the picture first, then film 10 seconds or more without touching the phone.",
            )
        raise Refused(
            "too-short",
            f"The clip holds {frames} frame{'s' if frames != 1 else ''} in {length:.1f} s; "
            f"at least {_LEAST_SECONDS:.0f} s are needed.",
            "Film at least 10 seconds; 30 to 60 seconds show the wobble best.",
        )


def refuse_too_few_lit(time_s: NDArray[np.float64], lit: NDArray[np.bool_]) -> None:
    """Refuse dots that are seen in too few of the frames (times and whether lit, both (frames,)) to be followed."""
    seen_s = time_s[lit]
    if seen_s.size >= _LEAST_LIT and np.ptp(seen_s) >= _LEAST_LIT_S:
        return
    raise Refused(
        "no-contrast",
        f"Only {seen_s.size} of {time_s.size} pictures show the dots clearly; {_LEAST_LIT} over {_LEAST_LIT_S:.0f} s "
        "are the least.",
        "Film longer, and add light; under a lamp that flashes set a longer shutter, so that every picture meets a "
        "flash.",
    )


def nothing_to_read(pattern: PatternReading) -> Refused:
    """Why no row could be read: too dark, too bright, smeared, or none there."""
    look = pattern.impression
    if look.mean_level < _BLACK:
        return Refused(
            "too-dark",
            f"The picture is almost black: mean brightness {look.mean_level:.0f} of 255.",
            "Light the rim, or use the strobe lamp close to it, and film again.",
        )
    if look.bright_share > 0.6:
        return Refused(
            "overexposed",
            f"The picture is washed out: {100 * look.bright_share:.0f} % of it is white.",
            "Lower the exposure or the light until the dots show grey edges, and film again.",
        )
    if look.restless > _RESTLESS or look.even_band:
        seen = "Something turns here, but no dots stand out: they are smeared to an even band."
        if look.restless <= _RESTLESS:
            seen = "No dots stand out, but an even band runs across the picture, as smeared dots leave it."
        return Refused(
            "no-contrast",
            seen,
            "Switch the room light off and use only the strobe lamp; or add bright light and set the shutter to "
            "1/500 s or shorter.",
        )
    return Refused(
        "no-pattern",
        "No row of evenly spaced dots was found in the picture.",
        "Fill the width of the picture with the rim, level and in focus, so that at least ten dots show.",
    )


def not_turning() -> Refused:
    """Dots or stripes that stand still."""
    return Refused(
        "not-turning",
        "A row of dots or stripes is seen, but it does not move against the background.",
        "Start the platter and let it settle. If it does turn, the dots may stand perfectly still to the lamp: "
        "change the speed a little with the pitch control, or film under another light.",
    )


def refuse_what_is_flat(row: RowSeries, dots: int, told: Told) -> None:
    """Refuse dots that pass in a plane: a fence, cloth, a strip.

    Those of a rim crowd towards the sides, at least as an arc of the same angle does when it is seen from far away
    (``x = R sin(angle)``, whose cubic part is the square of half the angle over 6).

    Parameters
    ----------
    row : RowSeries
        The row that was chosen.
    dots : int
        Its dots in one turn.
    told : Told
    """
    least = (np.pi * row.dots_in_view / dots) ** 2 / 6
    if row.crowding is None or row.dots_in_view < ROW_OF_DOTS or row.crowding > _MUCH_OF_IT * least:
        return
    if least - row.crowding < _SURE * _CUBIC_SCATTER * _UNEVEN_DOTS / row.dots_in_view**1.5:
        return
    raise Refused(
        "not-a-rim",
        f"The {row.dots_in_view:.0f} dots or stripes in view stand evenly, as on something flat; on a rim with {dots} "
        "dots they would crowd towards the sides.",
        f"Film the rim of the platter from outside.{f' {check}.' if (check := told.check('--dots')) else ''}",
    )


def far_off_centre(share_percent: float, bars_seen: float) -> Refused:
    """A ring of a disc that lies far off centre (e / R in percent), of which too little is seen to count its bars."""
    return Refused(
        "ambiguous",
        f"The disc lies off centre by {share_percent:.1f} % of the ring's radius, and too little of the ring is seen "
        f"to count its bars surely ({bars_seen:.1f} by what is seen).",
        "Centre the disc on the spindle, and film it so that the whole ring shows.",
    )


def not_counted(bars_seen: float) -> Refused:
    """A ring of a disc whose bars are not counted surely, where nothing else shows how fast it turns."""
    return Refused(
        "ambiguous",
        f"The bars of the ring can't be counted surely ({bars_seen:.1f} by what is seen), and nothing else shows how "
        "fast it turns.",
        "Film the disc so that the whole ring shows, well centred on the spindle, or give its count with --dots.",
    )


def upright_unclear() -> Refused:
    """Dots that run up or down the picture, where the clip does not show which way the platter turns."""
    return Refused(
        "ambiguous",
        "The row of dots runs up the picture, and the clip does not show which way the platter turns.",
        "Hold the phone so that the rim lies level in the picture, and film at least three turns.",
    )


def wrong_lamp(told_hz: float, seen_hz: float) -> Refused:
    """For light that flickers otherwise than the lamp that was told would."""
    return Refused(
        "ambiguous",
        f"The light flickers {seen_hz:.2f} times a second in these pictures, which a lamp of {told_hz:g} flashes does "
        "not.",
        "Leave --lamp out, or give the lamp's own flash rate; let no other lamp shine.",
    )


def wrong_mains(given_hz: float, flash_rate_hz: float) -> Refused:
    """A lamp that flashes at another rate than the mains that was given makes it."""
    return Refused(
        "ambiguous",
        f"The lamp flashes {flash_rate_hz:.1f} times a second, which a mains of {given_hz:g} Hz does not make.",
        f"Leave --mains out or give {flash_rate_hz / 2:.0f}; a lamp with a rate of its own is given with --lamp.",
    )
