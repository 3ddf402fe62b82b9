"""A machine and what its parts would show, on a terminal and as JSON; and the questions that describe one."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from rich.text import Text

from strobe.drive.expected import Expected, expected_parts, folded_hz
from strobe.drive.features import COVERAGE
from strobe.drive.machine import Machine
from strobe.drive.parts import PART_BY_KEY
from strobe.report.sheet import Sheet, columns
from strobe.report.words import period_words, printable, rpm_words

__all__ = ["QUESTIONS", "Question", "machine_json", "machine_text"]

USUAL_FRAME_RATE_HZ = 30.0
"""Pictures a second by which fast parts are folded down where nobody says another rate; what most phones film at
(common practice)."""


@dataclass(frozen=True)
class Question:
    """One question about a machine: the name of the value, the words, and the kinds of drive that it is for."""

    name: str
    words: str
    drives: tuple[str, ...] = ("belt", "idler", "direct")


QUESTIONS: tuple[Question, ...] = (
    Question("name", "A name for the machine?"),
    Question("speeds_rpm", "Its speeds, as in 33 45?"),
    Question("motor", "Motor: synchronous, induction (both on the mains) or servo (electronic)?", ("belt", "idler")),
    Question("mains_hz", "Mains frequency, 50 or 60 Hz?", ("belt", "idler")),
    Question("poles", "Poles of the motor (a synchronous one at 250 rpm on 50 Hz has 24)?"),
    Question("motor_rpm", "Speed of the motor in rpm, where its plate says it?", ("belt", "idler")),
    Question("platter_mm", "Platter's outside diameter in mm?"),
    Question("driven_mm", "Diameter in mm of what belt or idler runs on (sub-platter or rim)?", ("belt", "idler")),
    Question("platter_mass_kg", "Mass of the platter in kg?", ("belt",)),
    Question("pulley_mm", "Pulley's diameter in mm without belt, at each speed, as in 33=20.8 45=28.3?", ("belt",)),
    Question("pulley_mm", "Pulley's diameter in mm at each speed, as in 33=20.8 45=28.3?", ("idler",)),
    Question("belt_thickness_mm", "Thickness of the belt in mm?", ("belt",)),
    Question("belt_width_mm", "Width of the belt in mm?", ("belt",)),
    Question("belt_length_mm", "Length of the belt in mm, all the way round?", ("belt",)),
    Question("spindle_distance_mm", "Else the distance from spindle to motor shaft in mm?", ("belt",)),
    Question("idler_mm", "Diameter of the idler in mm?", ("idler",)),
    Question("dots", "Dots in each row round the rim, as in 180 216?"),
    Question("sprung", "Does the platter stand on springs: yes or no?", ("belt", "direct")),
    Question("bounce_hz", "If so: up-and-downs a second after a light push?", ("belt", "direct")),
)
"""Asked after the kind of drive; an empty answer means not known."""


def machine_text(machine: Machine, *, frame_rate_hz: float = USUAL_FRAME_RATE_HZ) -> Text:
    """The table of all parts at every speed, for a terminal of 80 columns."""
    sheet = Sheet()
    sheet.row("MACHINE", f"{printable(machine.name) or 'no name'}, {machine.drive} drive{_motor(machine)}", strong=True)
    shown: list[Expected] = []
    missing: dict[str, None] = {}
    for rpm in machine.speeds_rpm:
        parts = expected_parts(machine, rpm)
        shown += [one for one in parts if one.frequency_hz is not None]
        missing |= {f"{PART_BY_KEY[one.part].short}: {one.basis}": None for one in parts if one.frequency_hz is None}
        sheet.row(f"AT {rpm_words(rpm)}", *_table(parts, frame_rate_hz))
        predicted = machine.predicted_rpm(rpm)
        if predicted is not None:
            off = 100 * (predicted / rpm - 1)
            sheet.row("", f"By these diameters it would turn at {predicted:.2f} rpm ({off:+.1f} %), creep aside.")
    if machine.drive == "belt":
        sheet.row("BELT", *_belt(machine))
    sheet.row("UNKNOWN", *missing)
    sheet.row("NOTE", _note(shown, frame_rate_hz))
    return sheet.text()


def machine_json(machine: Machine, *, frame_rate_hz: float = USUAL_FRAME_RATE_HZ) -> str:
    """One JSON object on one line: the description and the expected rates at every speed."""
    speeds = [
        {
            "nominal_rpm": rpm,
            "predicted_rpm": machine.predicted_rpm(rpm),
            "belt_length_mm": machine.belt_path_mm(rpm),
            "spindle_distance_mm": machine.spindle_path_mm,
            "parts": [_part_json(one, frame_rate_hz) for one in expected_parts(machine, rpm)],
        }
        for rpm in machine.speeds_rpm
    ]
    described = {name: value for name, value in asdict(machine).items() if value not in (None, (), "")}
    return json.dumps({"schema": "strobe.machine/1", "machine": described, "speeds": speeds}, allow_nan=False)


def _part_json(one: Expected, frame_rate_hz: float) -> Mapping[str, Any]:
    return {
        "part": one.part,
        "turns": one.turns,
        "per_revolution": one.order,
        "frequency_hz": one.frequency_hz,
        "period_s": one.period_s,
        "uncertainty_share": COVERAGE * one.tolerance,
        "seen_at_hz": None if one.frequency_hz is None else folded_hz(one.frequency_hz, frame_rate_hz),
        "basis": one.basis,
    }


def _motor(machine: Machine) -> str:
    words = []
    if machine.motor is not None:
        words.append(f"{machine.motor} motor")
    if machine.poles is not None:
        words.append(f"{machine.poles} poles")
    if machine.mains_hz is not None:
        words.append(f"{machine.mains_hz:g} Hz mains")
    if machine.mains_motor_rpm is not None:
        words.append(f"{machine.mains_motor_rpm:g} rpm")
    return "".join(f", {one}" for one in words)


def _table(parts: Sequence[Expected], frame_rate_hz: float) -> list[str]:
    known = [one for one in parts if one.frequency_hz is not None]
    folded = _folds(known, frame_rate_hz)
    head = ("part", "times a turn", "Hz", "every") + (("Hz in clip",) if folded else ())
    cells = [head]
    for one in known:
        assert one.frequency_hz is not None
        assert one.order is not None
        about = "" if one.turns else "about "
        row = (
            PART_BY_KEY[one.part].short,
            about + _spread(one.order, one.tolerance if one.turns else 0.0),
            f"{about}{one.frequency_hz:.3g}",
            period_words(1 / one.frequency_hz),
        )
        cells.append(row + ((f"{folded_hz(one.frequency_hz, frame_rate_hz):.3g}",) if folded else ()))
    return columns(cells)


def _folds(parts: Sequence[Expected], frame_rate_hz: float) -> bool:
    return any((one.frequency_hz or 0.0) > 0.5 * frame_rate_hz for one in parts)


def _note(shown: Sequence[Expected], frame_rate_hz: float) -> str:
    """What the tables do not say by themselves, as far as it stands in them."""
    swings = "" if all(one.turns for one in shown) else "; what swings (about) in a broad hump"
    notes = [f"What turns shows in narrow lines at whole multiples as well{swings}."]
    if any(one.turns and one.tolerance > 0 for one in shown):
        notes.append("Spreads (±) are what folding rule, callipers and mains usually leave.")
    if _folds(shown, frame_rate_hz):
        notes.append(f"Hz in clip: at {frame_rate_hz:g} pictures a second.")
    return " ".join(notes)


def _spread(order: float, tolerance: float) -> str:
    if tolerance == 0.0:
        return f"{order:.3g}"
    half = COVERAGE * tolerance * order
    decimals = max(-math.floor(math.log10(half)), 0)
    return f"{order:.{decimals}f} ±{half:.{decimals}f}"


def _belt(machine: Machine) -> list[str]:
    """Length or distance worked out, and for how long to film to tell belt from platter."""
    driven, distance = machine.driven_effective_mm, machine.spindle_path_mm
    paths = [(rpm, path) for rpm in machine.speeds_rpm if (path := machine.belt_path_mm(rpm)) is not None]
    if driven is None or not paths:
        return []
    rpm, path = paths[0]
    turns = 1 / max(1 - math.pi * driven / path, 0.02)
    seconds = max(60, 10 * math.ceil(1.5 * 6 * turns / rpm))
    apart = "" if distance is None else f", axes {distance:.1f} mm apart"
    return [
        f"{path:.1f} mm long{apart}; belt and platter take {turns:.0f} turns to be told apart: film {seconds} s",
    ]
