"""Whether the likeliest hypothesis may be reported: what it leaves open, and what speaks against it.

A reading that the clip contradicts, or that another as likely contradicts, is refused with what would settle it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strobe.errors import Refused
from strobe.figures.rings import NOMINAL_RPM, nearest_nominal_rpm
from strobe.measuring.hypotheses import SLOW_SWING_CYCLES, Hypothesis
from strobe.measuring.options import Told
from strobe.measuring.refusals import ROW_OF_DOTS
from strobe.measuring.rows import CLEAR_SUPPORT, SAME_TURN, is_usual, turns_of_few_lit
from strobe.measuring.speedbudget import mains_uncertainty_percent
from strobe.phase import TimeBase, jumps_of

__all__ = [
    "assumed_speed_percent",
    "check_alias",
    "check_coherence",
    "check_continuity",
    "choose",
    "refuse_too_few_to_tell",
    "refuse_unusual_count",
]

_LEAST_TRAVEL = 0.12
"""Of the likeness that marks travelling along the row have at best: a rate 0.14 off; aliases, and the other mains'
ring, are 0.17 and more."""
_CLEAR_GAP, _CLEAR_GAP_IN_A_SLOW_SWING = 2.0, 3.0
"""Difference of scores that is clear; in a slow swing only the flicker's shape speaks, which must leave no doubt."""
_AGAINST_THE_REST = 0.75
"""Share of what speaks for the line, lamp or camera, that must be left when all else speaks against it: a wobble on the
lamp's beat, as one clip in some hundred has it, may stand as that lamp's swing would (by trial)."""
_MAY_BE_HIDDEN = 2.0
"""How much less it says between two mains that a lamp's flicker is not seen: most of what it says of lamp or camera."""
_BESIDE = (0.004, 0.03)
"""How far, relatively, the time of a turn lies from that of a count close to the true one; it is good to 0.0006 where
more than a few turns were seen."""
_BESIDE_IN_FEW_TURNS = 0.0075
"""The same lower end where no more than `_MANY_TURNS` were seen, which tell the time of one less well (by trial)."""
_MANY_TURNS, _SAME_TURN = 5.0, 0.001
"""Turns in the clip that are many; and how near, relatively, the time of a turn bears the dots out in any case: a
little more than the 0.0006 that it is good to."""
_TURNS_ALIKE = 2.0
"""Sigmas of the time of a turn within which it does not part two rates."""
_FAINTER, _ROUGHER = 0.3, 4.0
"""Amplitude and noise of a row, by those of the clearest, from which it says nothing against that: true rows of one rim
differ by less than half as much, a pattern in the scenery was a quarter as strong and eight times as rough (by
trial)."""
_SAME_SPEED = 0.01
"""How near, relatively, two nominal speeds are one: 78 and 78.26 rpm are 0.003 apart, all others a third and more."""
_JUMP_DOTS, _FAR_JUMP = 0.12, 8.0
"""Size of a jump from one frame to the next that no platter makes, and how far above what is usual in the clip."""
_SAME_PLACE_DOTS, _AS_LARGE = 4.0, 0.5
"""How near to whole turns after a jump its next one comes, a picture's worth of dots and what the joint smears; and how
large that is at the least by the first (0.8 and more in eight rendered close-ups)."""
_CLOSE_PERCENT = 0.6
"""Difference of two readings, in percent, up to which it goes into the uncertainty instead of being refused (by trial;
a mains alone may be off by 0.2 %)."""
_ALIAS_STEP_CYCLES, _LEAST_ALIAS_CYCLES, _ALIKE_ENOUGH = 0.2, 3.0, 0.8
"""Of speeds that look alike from look to look: steps and least distance, in cycles over the clip, that are tried; and
the share of a line that shows at the other, from which it could be that (looks by strict turns show all of it)."""
_LEANS = 0.3
"""By how much of what two lines differ either may lean away from the other, where they part by less than a dot in the
clip: r / (1 - r) for a line beside one r times as strong (closed form), and a quarter is usual."""
_TOLD_BY_TRAVEL = 0.3
"""By how much marks that travel along the row must speak for one of those more than for the other (by trial)."""
_FAR_OFF_PERCENT = 8.5
"""Further than usual pitch controls go, where another alias of the dots is as likely."""


def choose(ranked: list[Hypothesis], told: Told) -> tuple[Hypothesis, float]:
    """The hypothesis to report by what was told, and the gap (percent) to a rival that the clip can't rule out.

    Lamp or camera may be left open, for as long as they say nearly the same; two rows that run apart may not.

    Raises
    ------
    Refused
        ``ambiguous`` when two hypotheses that differ are both supported, or the clip contradicts what was given;
        ``no-pattern`` when there is none.
    """
    if not ranked:
        raise Refused("no-pattern", "No row of dots could be followed.", "Film the rim closer and in focus.")
    best = ranked[0]
    if told.nominal_rpm is None and not best.turns_seen:
        usual = f"{NOMINAL_RPM[1]:.4g} rpm"
        ranked = [h for h in ranked if h.nominal_rpm == NOMINAL_RPM[1]]
        why = ""
        if not ranked:
            why = f"The clip shows neither the speed nor a turn, and the dots don't go with {usual}."
        elif best.score - ranked[0].score > _CLEAR_GAP:
            why = (
                "The clip does not show the speed for sure; it goes better with "
                f"{best.nominal_rpm:.4g} rpm and {best.dots} dots than with {usual}."
            )
        if why:
            advice = "Say the nominal speed with --rpm and the count of the dots with --dots."
            if told.given("--dots") is not None:
                advice = f"Say the nominal speed with --rpm. {told.check('--dots')}."
            raise Refused("ambiguous", why, advice)
        best = ranked[0]
    _refuse_contradiction(best, told)
    if abs(best.deviation_percent) > _FAR_OFF_PERCENT and not best.borne_out:
        advice = told.advice("--rpm", "--dots", "--mains")
        if told.given("--capture-rate") is None:
            advice += ". See whether the clip is slow motion"
        else:
            advice = told.advice("--rpm", "--dots", "--mains", "--capture-rate")
        raise Refused(
            "ambiguous",
            f"Nothing in the clip but the dots themselves bears out {best.rpm:.3f} rpm, "
            f"{abs(best.deviation_percent):.0f} % from {best.nominal_rpm:.4g}.",
            f"{advice}; or film three turns and more.",
        )
    gap = 0.0
    for rival in ranked[1:]:
        apart = 100 * abs(rival.rpm / best.rpm - 1)
        same = rival.evidence is best.evidence or rival.line.kind != best.line.kind
        close = same and rival.dots == best.dots and apart < _CLOSE_PERCENT
        slow = close and 0 < best.line.swing_cycles < SLOW_SWING_CYCLES
        better = best.score - rival.score
        if close and rival.evidence is best.evidence and apart < 100 * _TURNS_ALIKE * SAME_TURN:
            # Neither the time of a turn nor other rows tell rates so close to each other.
            better = min(better, best.line_score - rival.line_score)
        if _is_of_a_hidden_flicker(rival, best):
            better -= _MAY_BE_HIDDEN
        by_line = _AGAINST_THE_REST * (best.line_score - rival.line_score)
        if better > (_CLEAR_GAP_IN_A_SLOW_SWING if slow else max(_CLEAR_GAP, by_line)):
            continue
        if rival.evidence is not best.evidence and (apart < 0.1 or _is_of_a_faint_row(rival, best)):
            continue
        if close:
            unknown = 0.0
            if rival.line.kind == "lamp" and rival.lamp.source == "nominal" and rival.lamp.nominal_hz is not None:
                unknown = mains_uncertainty_percent(rival.lamp.nominal_hz)
            # The rival, if it is right, may itself be off by so much.
            leans = _LEANS if apart / 100 * float(np.ptp(best.line.dots)) < 1 else 0.0
            gap = max(gap, (1 + leans) * apart + unknown)
            continue
        raise Refused(
            "ambiguous",
            f"The clip can be read in two ways: {best.rpm:.3f} rpm ({best.dots} dots, {best.line.kind}-timed) or "
            f"{rival.rpm:.3f} rpm ({rival.dots} dots, {rival.line.kind}-timed).",
            f"{told.advice('--rpm', '--dots', '--mains', '--lamp')}; or film again at another frame rate.",
        )
    return best, gap


def _is_of_a_hidden_flicker(rival: Hypothesis, best: Hypothesis) -> bool:
    """Whether nothing speaks against another mains but that its lamp does not flicker in the picture.

    A shutter that is open for a whole number of flashes, as phones choose it, shows no flicker.
    """
    supposed = rival.lamp.flash is None and best.lamp.flash is None and not best.turns_seen
    return supposed and rival.line.kind == "lamp" and rival.lamp.mains_hz != best.lamp.mains_hz


def _is_of_a_faint_row(rival: Hypothesis, best: Hypothesis) -> bool:
    """Whether what runs otherwise is scenery: far fainter than the dots, and its course far rougher."""
    fainter = rival.evidence.row.amplitude < _FAINTER * best.evidence.row.amplitude
    return fainter and rival.line.noise_dots > _ROUGHER * best.line.noise_dots


def assumed_speed_percent(ranked: Sequence[Hypothesis], chosen: Hypothesis) -> float:
    """How far the deviations from other speeds, which the clip can't rule out, lie from that of an assumed one.

    Whole dots for one mains stand still at most speeds, but not quite: 133 at 45 rpm want 0.25 % more than 180 at
    33 1/3. A turn that is seen settles it.
    """
    if chosen.borne_out:
        return 0.0
    others = [one for one in ranked if one.nominal_rpm != chosen.nominal_rpm and one.evidence is chosen.evidence]
    return max(
        (
            abs(one.deviation_percent - chosen.deviation_percent)
            for one in others
            if chosen.score - one.score < _CLEAR_GAP
        ),
        default=0.0,
    )


def _refuse_contradiction(best: Hypothesis, told: Told) -> None:
    """Refuse when marks travel at another pace, or the dots come round after another time, than the hypothesis says."""
    turns, travel = best.evidence.turns, best.evidence.travel
    if travel is not None and travel.share(best.line.dot_rate_hz) < _LEAST_TRAVEL:
        advice = f"{told.advice('--mains', '--rpm', '--dots')}. The wrong mains makes such a difference."
        if told.given("--lamp") is not None:
            advice = f"{told.check('--lamp', '--mains', '--rpm', '--dots')}. The wrong lamp makes such a difference."
        raise Refused(
            "ambiguous",
            f"Dust and uneven dots pass along the row as if about {travel.rate_hz:.0f} dots went by in a second, which "
            f"does not go with {best.nominal_rpm:.4g} rpm and {best.dots} dots, followed as "
            f"{best.line.dot_rate_hz:.1f} a second.",
            advice,
        )
    if turns is None:
        return
    _, support = turns.best()
    if support < 1.3 * CLEAR_SUPPORT:
        return
    turned_by_then = turns.turn_s * best.line.dot_rate_hz / best.dots
    off = abs(turned_by_then - 1)
    if best.evidence.lit_share < 1 and turns_of_few_lit(turned_by_then) is not None:
        return
    turned = float(np.ptp(best.line.dots)) / best.dots
    least = _BESIDE[0] if turned > _MANY_TURNS else _BESIDE_IN_FEW_TURNS
    beside = best.evidence.lit_share == 1 and least < off < _BESIDE[1]
    if (
        off < _SAME_TURN
        or turns.repeats(best.dots / best.line.dot_rate_hz)
        or (best.turn_support > 0.5 * support and not beside)
    ):
        return
    seen = 60 / turns.turn_s
    near = nearest_nominal_rpm(seen)
    if abs(near / best.nominal_rpm - 1) < _SAME_SPEED:
        mirror = "f the clip is a mirror image, say so with --mirrored"
        if told.mirrored:
            mirror = "f the clip is no mirror image, leave --mirrored out"
        count = told.check("--dots")
        advice = f"{count}; or i{mirror}." if count else f"I{mirror}; else count the dots of the ring for --dots."
    else:
        advice = f"Measure again with --rpm {near:.4g}"
        if (rpm := told.given("--rpm")) is not None:
            advice += f" in place of {rpm}"
        count = told.check("--dots")
        advice += f". {count}." if count else " and, if the ring is an unusual one, --dots with its count."
    raise Refused(
        "ambiguous",
        f"One turn takes {turns.turn_s:.2f} s here, so the platter turns at about {seen:.2f} rpm; read as "
        f"{best.dots} dots at {best.nominal_rpm:.4g} rpm it would turn at {best.rpm:.2f}.",
        advice,
    )


def refuse_unusual_count(chosen: Hypothesis, told: Told) -> None:
    """Refuse a count that nobody gave and no usual ring has, where it rests on the time of one turn alone.

    Other aliases of the same line then go with other counts just as well.
    """
    mains = (50.0, 60.0) if chosen.lamp.mains_hz is None else (chosen.lamp.mains_hz,)
    if chosen.rows_agree or is_usual(chosen.dots, chosen.nominal_rpm, mains):
        return
    advice = "Count the dots of one turn and say so with --dots"
    advice += ", and the nominal speed with --rpm." if told.given("--rpm") is None else "."
    if check := told.check("--rpm", "--lamp"):
        advice += f" {check}."
    if told.mirrored:
        advice = f"If the clip is no mirror image, leave --mirrored out. {advice}"
    raise Refused(
        "ambiguous",
        f"The dots go best with a ring of {chosen.dots}, an unusual one, at {chosen.rpm:.2f} rpm; other counts "
        "would give other speeds.",
        advice,
    )


def refuse_too_few_to_tell(hypotheses: Sequence[Hypothesis]) -> None:
    """Refuse a few dots, by every hypothesis, of which nothing was told and nothing shows that they come round.

    Neither a turn nor their crowding can be seen in so few; anything that passes evenly looks the same, and several
    such rows can always be brought to turn together.
    """
    in_view = max((h.evidence.row.dots_in_view for h in hypotheses), default=ROW_OF_DOTS)
    if in_view >= ROW_OF_DOTS or any(h.turns_seen for h in hypotheses):
        return
    raise Refused(
        "no-pattern",
        f"Only {int(in_view)} dots or stripes are in view, and nothing shows that they come round on a platter.",
        f"Film so that at least {ROW_OF_DOTS} dots show across the picture; or say what is known of them with --rpm "
        "and --dots.",
    )


def check_coherence(chosen: Hypothesis) -> None:
    """Refuse dots that can't be followed."""
    if chosen.line.coherence < 0.35 or chosen.line.noise_dots > 0.08:
        raise Refused(
            "no-contrast",
            "Dots are seen, but they can't be followed from frame to frame "
            f"(noise {chosen.line.noise_dots:.2f} of a gap).",
            "More light and a shorter shutter, or only the strobe lamp; hold the camera on a stand.",
        )


def check_alias(chosen: Hypothesis, time: TimeBase) -> None:
    """Refuse a speed that another within the reach of pitch controls would show as well, unless more bears it out.

    From look to look the dots pass by a whole number more or less and seem the same. How far apart such speeds lie
    depends on how often dots are seen, and on how many pass.
    """
    if chosen.borne_out:
        return
    seen_s = time.time_s[chosen.line.lit]
    rate_hz = chosen.line.dot_rate_hz
    step_hz = _ALIAS_STEP_CYCLES / float(np.ptp(seen_s))
    reach_hz = (_FAR_OFF_PERCENT + abs(chosen.deviation_percent)) / 100 * rate_hz
    apart_hz = np.arange(_LEAST_ALIAS_CYCLES / float(np.ptp(seen_s)), reach_hz, step_hz)
    alike = np.abs(np.exp(2j * np.pi * np.outer(apart_hz, seen_s)).mean(axis=1))
    apart_hz = np.concatenate([apart_hz, -apart_hz])[np.tile(alike > _ALIKE_ENOUGH, 2)]
    deviation = 100 * (60 * (rate_hz + apart_hz) / chosen.dots / chosen.nominal_rpm - 1)
    travel = chosen.evidence.travel
    if travel is not None:
        # Marks that travel along the row tell those apart.
        deviation = deviation[[travel.share(rate_hz) - travel.share(rate_hz + hz) < _TOLD_BY_TRAVEL for hz in apart_hz]]
    if not np.any(np.abs(deviation) < _FAR_OFF_PERCENT):
        return
    other = float(deviation[np.argmin(np.abs(deviation))])
    raise Refused(
        "ambiguous",
        f"Read as {chosen.dots} dots at {chosen.nominal_rpm:.4g} rpm the speed is {chosen.deviation_percent:+.1f} % "
        f"off, but from look to look {other:+.1f} % would show the same, and nothing else in the clip tells which.",
        "Film at a higher frame rate, or with more light than the strobe lamp alone so that every picture shows the "
        "dots; or stick a bit of tape on the rim.",
    )


def check_continuity(chosen: Hypothesis, time: TimeBase, *, turn_dots: int | None = None) -> None:
    """Refuse dots that jump from one frame to the next: joined scenes, or pictures lost that the stamps do not show.

    A platter changes its speed at once at most, never its place. Straight courses through some frames before and after
    are held against each other between each two frames.

    Parameters
    ----------
    chosen : Hypothesis
    time : TimeBase
    turn_dots : int or None
        Dots in one turn, after which a jump comes again that the joint of a strip makes; None leaves that unasked.
    """
    strength = np.abs(chosen.evidence.amplitude)
    seen = np.flatnonzero(chosen.line.lit & (strength > 0.4 * np.median(strength)))
    between_s, signed, whole = jumps_of(time.time_s[seen], chosen.line.dots[seen], time.interval_s)
    if not whole.any():
        return
    jump = np.abs(signed)
    largest = int(np.argmax(np.where(whole, jump, 0.0)))
    if jump[largest] <= max(_JUMP_DOTS, _FAR_JUMP * float(np.median(jump[whole]))):
        return
    passed = np.interp(between_s, time.time_s, chosen.line.dots)
    if turn_dots is not None and _comes_round(passed[whole], signed[whole], passed[largest], turn_dots):
        raise Refused(
            "no-pattern",
            f"The dots jump by {jump[largest]:.2f} of a gap at the same place in every turn, as at the joint of a "
            "strip, and too few of them are in view at once to take that off.",
            "Film from further off, so that at least thirty dots show across the picture; or glue the strip to its "
            "printed length.",
        )
    raise Refused(
        "bad-timing",
        f"The dots jump by {jump[largest]:.2f} of a gap from one picture to the next at {between_s[largest]:.1f} s,"
        " which no platter does: scenes were joined, or pictures are missing that the time stamps do not show.",
        "Use the camera's original file, one for each scene; or film again, under a mains lamp at another frame "
        "rate: its dark moments, in step with the pictures, can do that too. Of a strip, film three turns or more.",
    )


def _comes_round(passed: NDArray[np.float64], jump: NDArray[np.float64], at_dots: float, turn_dots: int) -> bool:
    """Whether the jump after so many dots comes again, the same way, whenever they have made whole turns since."""
    size = jump[np.argmin(np.abs(passed - at_dots))]
    turns = np.rint((passed - at_dots) / turn_dots)
    near = np.abs(passed - at_dots - turns * turn_dots) < _SAME_PLACE_DOTS
    again = [float(np.max(jump[near & (turns == one)] / size)) for one in np.unique(turns[near])]
    return len(again) > 1 and min(again) > _AS_LARGE
