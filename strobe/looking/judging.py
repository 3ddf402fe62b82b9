"""From what was seen to what limits the reading, and the one or two changes that would help most.

Every fault is put into percent of the figure it spoils, so that they can be held against each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from strobe.looking.results import Light, Limit, Reach, SeenRow, Shake, Shutter, Still, Timing
from strobe.measurement import Measurement, Refusal
from strobe.measuring.clock import CameraClock
from strobe.measuring.speedbudget import mains_uncertainty_percent

__all__ = ["Picture", "changes_of", "grade_of", "limits_of"]

GOOD_SPEED_PERCENT, GOOD_FLOOR_PERCENT = 0.02, 0.03
"""Half-width of the speed and floor of the steadiness of a good clip, in percent; our own choice."""
FAIR_SPEED_PERCENT, FAIR_FLOOR_PERCENT = 0.1, 0.1
"""A hi-fi machine may be off by 1 % and swing by 0.2 % (DIN 45500): a fair clip tells half of the smaller for sure."""

_WORTH_A_CHANGE_PERCENT = 0.01
"""Percent of a figure that a change must be worth to be proposed: half of what makes a clip good. Our own choice."""
_SHAKE_LEFT = 0.1
"""Share of a hand's shake that tracking the scenery leaves, as a rule (seen on rendered clips)."""
_MOSTLY_OWN = 0.5
"""Share of the floor that the picture's own grain must make to be named as its cause: half."""
_CLEAR_BEAT_HZ = 2.0
"""A frame rate is proposed where the lamp's flicker creeps faster than this, so that it can be measured; by trial."""
_FILMED_AT = (24, 25, 30, 50, 60)
"""Pictures a second that cameras offer (common practice)."""
_STAND = "Put the camera on a stand or against something solid."
_FAINT_PERCENT, _SMALL_PITCH_PX, _FEW_DOTS = 20.0, 10.0, 10.0
"""Contrast, pixels from dot to dot, and dots in view that are enough; with less more is asked for. By trial."""
_ENOUGH_TURNS = 12.0
"""Turns from which a longer clip is no longer proposed; our own choice."""
_WHITE_SHARE = 0.4
"""Share of white from which a picture is too bright; by trial."""
_MUCH_SHAKE_PX = 0.3
"""Rms of the shake from which it is named as the cause, and a stand proposed; by trial."""
_PICTURE_REFUSALS = ("no-pattern", "no-contrast")


@dataclass(frozen=True)
class Picture:
    """All that was seen, for judging."""

    measurement: Measurement | None
    reach: Reach | None
    clock: CameraClock
    interval_uncertainty: float
    light: Light
    shutter: Shutter
    rows: tuple[SeenRow, ...]
    shake: Shake | None
    timing: Timing
    still: Still | None
    lean: bool
    own_noise_percent: float | None

    @property
    def row(self) -> SeenRow | None:
        """The clearest row that moves."""
        return next((row for row in self.rows if row.moves), None)


def limits_of(seen: Picture) -> tuple[Limit, ...]:
    """What limits the speed and what limits the steadiness, one each; none for a clip without a measurement."""
    if seen.measurement is None or seen.reach is None:
        return ()
    return (_speed_limit(seen, seen.measurement, seen.reach), _steadiness_limit(seen, seen.measurement, seen.reach))


def _speed_limit(seen: Picture, measurement: Measurement, reach: Reach) -> Limit:
    timing = measurement.timing
    whole = reach.speed_uncertainty_percent
    parts: list[tuple[float, str, str]] = []
    notes = {note.code for note in measurement.notes}
    if "lines-coincide" in notes:
        parts.append((whole, "in-step", "lamp and camera keep step, and the clip can't tell which times the dots"))
    if timing.flash_rate_source == "nominal" and timing.line == "lamp" and timing.flash_rate_hz is not None:
        size = mains_uncertainty_percent(timing.flash_rate_hz)
        parts.append((size, "mains", "the lamp's rate was not seen, so the mains' own error is in it"))
    if timing.reference == "camera":
        words = "the camera's clock" + ("" if seen.clock.calibrated else " (strobe calibrate would narrow it)")
        parts.append((seen.clock.uncertainty_percent, "clock", words))
    parts.append((200 * seen.interval_uncertainty, "stamps", "time stamps that are rounded or uneven"))
    rest = math.sqrt(max(0.0, whole**2 - sum(size**2 for size, _, _ in parts)))
    parts.append((rest, "length", f"{reach.revolutions:.1f} turns, over which the wobble does not quite cancel"))
    size, code, message = max(parts)
    return Limit("speed", code, size, message)


def _steadiness_limit(seen: Picture, measurement: Measurement, reach: Reach) -> Limit:
    floor = reach.weighted_floor_percent
    whole = measurement.fluctuation.weighted_rms_uncertainty_percent
    rest = math.sqrt(max(0.0, whole**2 - floor**2))
    length = (rest, "length", f"{reach.revolutions:.1f} turns are few to tell the wobble's usual size from")
    size, code, message = max((floor, *_cause_of_floor(seen, floor)), length)
    return Limit("steadiness", code, size, message)


def _cause_of_floor(seen: Picture, floor_percent: float) -> tuple[str, str]:
    """The likeliest cause of the noise floor; error that all dots share does not come from the grain of the picture."""
    row = seen.row
    if seen.own_noise_percent is not None and seen.own_noise_percent < _MOSTLY_OWN * floor_percent:
        alone = f"the grain of the picture alone would leave {seen.own_noise_percent:.1g} %"
        if seen.shake is not None and seen.shake.rms_px > _MUCH_SHAKE_PX:
            return "shake", f"what is left of {seen.shake.rms_px:.1f} pixels of shake; {alone}"
        if seen.timing.kind == "stamps" and seen.shutter.timed_by == "camera":
            return "stamps", f"uneven time stamps ({1000 * seen.timing.noise_s:.2g} ms); {alone}"
        return "shared", f"error that all dots share, as coding leaves it; {alone}"
    if row is not None and row.pitch_px < _SMALL_PITCH_PX:
        return "grain", f"grain of the picture, as the dots are small ({row.pitch_px:.1f} pixels apart)"
    if row is not None and row.contrast_percent < _FAINT_PERCENT:
        return "grain", f"grain of the picture, as the dots are faint (contrast {row.contrast_percent:.0f} %)"
    return "grain", "grain of the picture" + (" and its lean coding" if seen.lean else "")


def changes_of(seen: Picture, limits: tuple[Limit, ...], refusal: Refusal | None) -> tuple[str, ...]:
    """The one or two changes that would help most, the first first."""
    found = [] if refusal is None else [(math.inf, refusal.advice)]
    refused = None if refusal is None else refusal.reason
    size_of = {limit.code: limit.size_percent for limit in limits}
    steps = {
        "in-step": f"Film at {_rates_out_of_step(seen)}, so that lamp and camera don't keep step.",
        "mains": _see_the_lamp(seen),
        "stamps": "Take the camera's own file, or another camera app: its time stamps are too rough.",
        "shake": _STAND,
    }
    found += [(size_of[code], words) for code, words in steps.items() if code in size_of]
    shaky = seen.shake is not None and seen.shake.rms_px > _MUCH_SHAKE_PX
    if seen.shake is not None and shaky and "shake" not in size_of and refused != "shaken":
        found.append((_SHAKE_LEFT * seen.shake.weighted_percent, _STAND))
    floor = 0.0 if seen.reach is None else seen.reach.weighted_floor_percent
    if refused in _PICTURE_REFUSALS or {"grain", "shared"} & set(size_of):
        found += _picture_changes(seen, 1.0 if seen.reach is None else floor)
    if "length" in size_of and seen.reach is not None and seen.reach.revolutions < _ENOUGH_TURNS:
        found.append((size_of["length"], "Film longer: 30 to 60 seconds."))
    if refused is None and seen.shake is None:
        found.append((_WORTH_A_CHANGE_PERCENT, "Keep some of the bench that stands still in the picture."))
    found = [(size, words) for size, words in found if size >= _WORTH_A_CHANGE_PERCENT]
    return tuple(words for _, words in sorted(found, key=lambda one: one[0], reverse=True)[:2])


def _picture_changes(seen: Picture, floor_percent: float) -> list[tuple[float, str]]:
    """What would make the dots themselves clearer, each with the share of the floor that it may be worth."""
    grain = floor_percent if seen.own_noise_percent is None else min(floor_percent, seen.own_noise_percent)
    row = seen.row
    found = []
    if seen.light.white_share > _WHITE_SHARE:
        found.append((grain, f"Less exposure: {100 * seen.light.white_share:.0f} % of the picture is white."))
    elif seen.light.dark:
        found.append((grain, "More light on the rim: the picture is dark."))
    elif row is not None and row.pitch_px < _SMALL_PITCH_PX:
        found.append((grain, "Go closer, so that the dots are 20 pixels apart or more."))
    elif row is not None and row.contrast_percent < _FAINT_PERCENT:
        found.append((grain, "More contrast: the strobe lamp alone, or bright light and a shutter of 1/500 s."))
    if row is not None and row.dots_in_view < _FEW_DOTS:
        found.append((0.9 * grain, "Show more of the rim: at least ten dots in view."))
    if seen.lean:
        found.append((0.8 * floor_percent, "Send the original file, or set the camera to a higher bit rate."))
    elif seen.still is not None and seen.still.averaged:
        found.append((0.5 * grain, "More light, so that camera and coding average less over time."))
    return found


def _rates_out_of_step(seen: Picture) -> str:
    """Usual frame rates at which the lamp's flicker would move; one for each mains where none suits both."""
    lamps = seen.light.in_step_hz if seen.light.flash_rate_hz is None else (seen.light.flash_rate_hz,)
    if len(lamps) == 1 or _clear_of(*lamps):
        return f"{_clear_of(*lamps) or 'another number of'} pictures a second"
    return " or at ".join(f"{_clear_of(hz)} pictures a second on {hz / 2:g} Hz mains" for hz in lamps)


def _clear_of(*lamps_hz: float) -> str:
    """The usual frame rates that keep step with none of the lamps; empty where each keeps step with one."""
    good = [fps for fps in _FILMED_AT if all(abs(hz / fps - round(hz / fps)) * fps > _CLEAR_BEAT_HZ for hz in lamps_hz)]
    return " or ".join(map(str, good))


def _see_the_lamp(seen: Picture) -> str:
    if seen.light.in_step_hz:
        rates = _rates_out_of_step(seen)
        return f"Film at {rates}, so that the lamp's flicker shows; or in bright light at 1/500 s."
    return "Show some of the bench that stands still in the lamp's light; or film in bright light at 1/500 s."


def grade_of(reach: Reach | None) -> str:
    """``good``, ``fair`` or ``poor`` by what the clip can tell; ``refused`` where it tells nothing."""
    if reach is None:
        return "refused"
    speed, floor = reach.speed_uncertainty_percent, reach.weighted_floor_percent
    if speed <= GOOD_SPEED_PERCENT and floor <= GOOD_FLOOR_PERCENT:
        return "good"
    return "fair" if speed <= FAIR_SPEED_PERCENT and floor <= FAIR_FLOOR_PERCENT else "poor"
