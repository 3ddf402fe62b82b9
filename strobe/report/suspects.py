"""Which part does it, in words: the answer, the evidence for each suspect, the turn map and the next check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from rich.text import Text

from strobe.drive.diagnosis import Diagnosis, Suspect
from strobe.drive.expected import expected_parts
from strobe.drive.locking import TurnMap
from strobe.drive.machine import Machine
from strobe.drive.parts import PART_BY_KEY
from strobe.measurement import Event, Measurement
from strobe.report.loads import event_lines
from strobe.report.rim import mark_line, ring_line, runout_lines
from strobe.report.sheet import LABEL_WIDTH, WIDTH, Sheet
from strobe.report.turns import turn_map_lines
from strobe.report.words import peak_words, printable, rpm_words

__all__ = ["size_words", "suspects_dict", "suspects_text"]

MOST_SUSPECTS = 4
MOST_EVENTS = 4
STEADY_PERCENT = 0.1
"""Weighted peak below which there is little to look for: half of what a hi-fi player may show (DIN 45500: 0.2 %)."""
MUCH_UNEXPLAINED = 0.5
"""Chance that no part of the list makes what was measured, above which the answer says so: more likely than not."""
SURE, LIKELY = 0.6, 0.3
"""Scores from which the first suspect is called most likely, and likely; our own choice, and no probabilities."""
LEAST_SHOWN = 0.05
"""Score below which a suspect is shown only where it is the first; our own choice."""
RIM_DRIVEN = (
    "On a platter driven at its rim, a rim off centre moves dots and speed together: the two parts are one fault."
)
ARTICLE = {"belt": "a belt", "idler": "an idler", "direct": "a direct"}


def suspects_text(
    measurement: Measurement,
    diagnosis: Diagnosis,
    *,
    machine: Machine | None,
    turns: TurnMap | None = None,
    events: Sequence[Event] = (),
) -> Text:
    """The whole answer, lines of at most 80 columns."""
    sheet = Sheet()
    fluctuation = measurement.fluctuation
    spread = fluctuation.weighted_peak_uncertainty_percent
    sheet.row(
        "READING",
        f"{printable(measurement.clip.path)}, {rpm_words(measurement.setup.nominal_rpm)} rpm, "
        f"{measurement.speed.revolutions:.1f} turns, {peak_words(fluctuation.weighted_peak_percent, spread)} "
        "weighted peak",
    )
    sheet.row("MACHINE", _machine(machine, diagnosis))
    if machine is not None:
        turn_rate_hz = measurement.speed.mean_rpm / 60
        sheet.row("EXPECTED", *_expected(machine, measurement.setup.nominal_rpm, turn_rate_hz))
    sheet.row("ANSWER", *_answer(diagnosis), strong=True)
    named = [one for one in diagnosis.suspects if one.score >= LEAST_SHOWN] or diagnosis.suspects[:1]
    for place, suspect in enumerate(named[:MOST_SUSPECTS], start=1):
        sheet.row(f"{place}. SUSPECT", _headline(suspect), *(f"- {one}" for one in _reasons(suspect)))
    sheet.row("SUDDEN", *event_lines(events, most=MOST_EVENTS))
    if diagnosis.unexplained >= 0.1:
        sheet.row("UNCLEAR", f"{100 * diagnosis.unexplained:.0f} % of the weighted power is in no line of these.")
    if diagnosis.locked is not None:
        locked = diagnosis.locked
        sheet.row(
            "LOCKED",
            f"{100 * locked.share:.0f} % (±{100 * locked.uncertainty:.0f}) of the unweighted fluctuation keeps its "
            f"place on the platter over {locked.turns} turns.",
        )
    sheet.row("RIM", *runout_lines(measurement, always=measurement.setup.view == "rim"))
    if measurement.ring is not None:
        sheet.row("DOTS", ring_line(measurement.ring))
        if machine is not None and machine.rim_driven:
            sheet.row("", RIM_DRIVEN)
    if measurement.index is not None:
        sheet.row("MARK", mark_line(measurement.index))
    if turns is not None:
        lines = turn_map_lines(turns, width=WIDTH - LABEL_WIDTH)
        sheet.row("TURNS", "Upright: tied to the platter. Slanting: belt, idler, motor. Blotches: control or springs.")
        sheet.row("", *lines)
    if fluctuation.weighted_peak_percent + spread < STEADY_PERCENT:
        sheet.row("BEWARE", "It runs steadily; what is left is hardly worth a repair.")
    first = diagnosis.first
    if diagnosis.film_seconds is not None:
        sheet.row("NEXT", f"Film {diagnosis.film_seconds:.0f} s at the same place and ask again.")
    elif first is not None:
        sheet.row("NEXT", first.part.check)
        sheet.row("REMEDY", first.part.remedy)
        sheet.row("IF RIGHT", f"{first.part.expect[0].upper()}{first.part.expect[1:]}.")
        if first.part.caution:
            sheet.row("CAUTION", first.part.caution)
        sheet.row("", "Checks and remedies are common practice; see docs/parts.md for all of them.")
    else:
        sheet.row("NEXT", "Film at another speed too, and compare the two with: strobe speeds")
    return sheet.text()


def suspects_dict(measurement: Measurement, diagnosis: Diagnosis) -> dict[str, object]:
    """The JSON object ``strobe.suspects/1``."""
    locked = diagnosis.locked
    return {
        "schema": "strobe.suspects/1",
        "clip": {"path": measurement.clip.path},
        "drive": diagnosis.drive,
        "answer": None if diagnosis.first is None else diagnosis.first.part.key,
        "film_seconds": diagnosis.film_seconds,
        "film_reason": diagnosis.film_reason,
        "doubt": diagnosis.doubt,
        "unexplained_share": diagnosis.unexplained,
        "no_part": diagnosis.no_part,
        "runout": None if measurement.runout is None else asdict(measurement.runout),
        "ring": None if measurement.ring is None else asdict(measurement.ring),
        "index": None if measurement.index is None else asdict(measurement.index),
        "locked": None if locked is None else {"share": locked.share, "uncertainty": locked.uncertainty},
        "suspects": [
            {
                "part": one.part.key,
                "name": one.part.name,
                "score": one.score,
                "share": one.share,
                "evidence": list(one.evidence),
                "size": None
                if one.size is None
                else {"kind": one.size.kind, "mm": [one.size.least_mm, one.size.most_mm]},
                "frequencies_hz": [feature.frequency_hz for feature in one.features],
                "check": one.part.check,
                "remedy": one.part.remedy,
            }
            for one in diagnosis.suspects
        ],
    }


def size_words(suspect: Suspect) -> str | None:
    """The size of the fault in mm, None where there is none to give."""
    size = suspect.size
    if size is None:
        return None
    low, high = f"{size.least_mm:.2g}", f"{size.most_mm:.2g}"
    span = f"{low} mm" if low == high else f"{low} to {high} mm"
    return f"{size.kind} {span} ({size.basis})"


def _machine(machine: Machine | None, diagnosis: Diagnosis) -> str:
    if machine is None:
        if diagnosis.drive is None:
            return "not described (--machine FILE); its figures do not tell the kind of drive"
        return f"not described (--machine FILE); by its figures most like {ARTICLE[diagnosis.drive]} drive"
    return f"{printable(machine.name) or 'no name'}, {machine.drive} drive"


def _answer(diagnosis: Diagnosis) -> list[str]:
    if diagnosis.film_seconds is not None:
        return [f"Can't tell yet: {diagnosis.film_reason}."]
    first = diagnosis.first
    if first is None:
        return ["No part of a drive explains what was measured."]
    unlikely = diagnosis.no_part > MUCH_UNEXPLAINED
    doubted = diagnosis.doubt is not None
    sure = "Perhaps"
    if first.score >= LIKELY and not unlikely:
        sure = "Most likely" if first.score >= SURE and not doubted else "Likely"
    answer = [f"{sure}: {first.part.name.split(':')[0]}."]
    if unlikely:
        answer.append("But it is likelier that no part of the list makes it.")
    if doubted:
        answer.append(f"But {diagnosis.doubt}.")
    return answer


def _expected(machine: Machine, rpm: float, turn_rate_hz: float) -> list[str]:
    """At what rate the described parts that turn would show, but for the platter; nothing where none is described."""
    parts = [one for one in expected_parts(machine, rpm, turn_rate_hz=turn_rate_hz) if one.turns and one.order != 1.0]
    rates = [f"{PART_BY_KEY[one.part].short} {one.order:.4g}" for one in parts if one.order is not None]
    return [f"{', '.join(rates)} times a turn"] if rates else []


def _headline(suspect: Suspect) -> str:
    score = f"score {suspect.score:.2f}; its lines hold {100 * suspect.share:.0f} % of the weighted power"
    return f"{suspect.part.name} ({score})"


def _reasons(suspect: Suspect) -> list[str]:
    size = size_words(suspect)
    return [*suspect.evidence, *([size] if size is not None else [])]
