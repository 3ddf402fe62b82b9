"""Two clips of one machine in words: what keeps its order or its rate, the ring's share, and conditions that differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.text import Text

from strobe.bench.records import Conditions, Entry, Job, Reading
from strobe.drive.ring import RingPart
from strobe.drive.speeds import Kept
from strobe.measurement import Measurement, RingShare
from strobe.report.rim import ring_line
from strobe.report.sheet import Sheet, columns
from strobe.report.words import printable, rounded

__all__ = [
    "cautions_text",
    "different_conditions",
    "ring_dict",
    "ring_text",
    "speeds_dict",
    "speeds_text",
    "two_clip_job",
]

REPAIR = "what lies between the two clips"
SAME_SHARE = 0.02
"""Share by which frame rates may differ and fold wobble alike: 29.97 and 30 are one, 25 and 30 are two; our own
choice."""
SAME_PITCH = 0.1
"""Share by which the dots' pitch in the picture may differ before the camera counts as moved; our own choice."""
LEAST_SHARE = 0.01
"""Share of the fluctuation that a wobble needs to be shown; our own choice."""
MOST_ROWS = 8


def two_clip_job(before: Measurement, after: Measurement) -> Job:
    """Two measurements as a job of two states, kept nowhere."""
    repair = Entry(1, "", "repair", REPAIR)
    readings = tuple(
        Reading(number, repair_id, "", "", "", {}, Conditions(), one)
        for number, repair_id, one in ((1, None, before), (2, repair.id, after))
    )
    return Job("two clips", "", (repair,), readings)


def different_conditions(before: Measurement, after: Measurement) -> list[str]:
    """What differs between two clips apart from the machine, as plain sentences."""
    said = []
    rates = before.clip.capture_rate_hz, after.clip.capture_rate_hz
    if abs(rates[1] / rates[0] - 1) > SAME_SHARE:
        said.append(
            f"The clips have {rates[0]:.4g} and {rates[1]:.4g} pictures a second; fast wobble folds differently."
        )
    if before.setup.dots != after.setup.dots:
        said.append(
            f"Rows of {before.setup.dots} and {after.setup.dots} dots were read; one may be off centre otherwise."
        )
    if before.timing.line != after.timing.line:
        said.append("One clip's dots are timed by the lamp's flashes, the other's by the shutter.")
    same_row = before.setup.dots == after.setup.dots
    if same_row and abs(after.dot_pitch_px / before.dot_pitch_px - 1) > SAME_PITCH:
        said.append(
            "The dots are of another size in the second clip: the camera stood elsewhere. From another side, dots off "
            "centre change what once a turn reads."
        )
    return said


def cautions_text(differences: Sequence[str]) -> Text:
    """Conditions that differ, as the last part of a comparison."""
    sheet = Sheet()
    sheet.row("BEWARE", *differences)
    return sheet.text()


def speeds_text(first: Measurement, second: Measurement, kept: Sequence[Kept]) -> Text:
    """The table of what each wobble does at the other speed."""
    sheet = Sheet()
    for label, clip in (("FIRST", first), ("SECOND", second)):
        turns = f"{clip.speed.mean_rpm:.2f} rpm, {clip.speed.revolutions:.1f} turns"
        sheet.row(label, f"{printable(clip.clip.path)}, {turns}")
    rows = [("Hz", "a turn", "speed goes", "at the other speed", "sure")]
    shown = [one for one in kept if one.feature.share >= LEAST_SHARE][:MOST_ROWS]
    meanings = []
    for number, one in enumerate(shown, start=1):
        feature, about = one.feature, "" if one.feature.sharp else "about "
        rows.append(
            (
                f"{number}. {about}{feature.frequency_hz:.3g}",
                f"{feature.order:.3g}",
                f"±{feature.peak_percent:.{rounded(2 * feature.peak_sigma_percent)}f} %",
                _kept_words(one),
                "" if one.keeps in ("neither", "both") else f"{100 * one.sure:.0f} %",
            )
        )
        meanings.append(f"{number}. {one.meaning}")
    if not shown:
        sheet.row("WOBBLE", "None stands clear of the noise in the first clip.")
        return sheet.text()
    sheet.row("WOBBLE", *columns(rows))
    sheet.row("MEANS", *meanings)
    sheet.row("NEXT", f"strobe suspects {printable(first.clip.path)} names the part and its check.")
    return sheet.text()


def speeds_dict(first: Measurement, second: Measurement, kept: Sequence[Kept]) -> dict[str, Any]:
    """The JSON object ``strobe.speeds/1``."""
    return {
        "schema": "strobe.speeds/1",
        "clips": [{"path": one.clip.path, "mean_rpm": one.speed.mean_rpm} for one in (first, second)],
        "wobbles": [
            {
                "frequency_hz": one.feature.frequency_hz,
                "per_revolution": one.feature.order,
                "peak_percent": one.feature.peak_percent,
                "broad": not one.feature.sharp,
                "keeps": one.keeps,
                "sure": one.sure,
                "other_frequency_hz": None if one.partner is None else one.partner.frequency_hz,
                "meaning": one.meaning,
            }
            for one in kept
        ],
    }


def ring_text(
    parts: Sequence[RingPart],
    turned_by_deg: float,
    rim_mm: float | None,
    *,
    rim_driven: bool = False,
    alone: Sequence[RingShare | None] = (),
) -> Text:
    """Wobble and ring once a turn and at its multiples; `alone` is what each clip says by itself."""
    sheet = Sheet()
    once = parts[0]
    if once.blind:
        sheet.row("ANSWER", "A camera moved by this angle cannot part the two; move it by 180 or 90.", strong=True)
        return sheet.text()
    decimals = rounded(once.ring_uncertainty_percent)
    answer = (
        f"Once a turn: the platter's speed ±{once.wobble_percent:.{decimals}f} %, the ring of dots "
        f"±{once.ring_percent:.{decimals}f} % (each ±{once.ring_uncertainty_percent:.{decimals}f})."
    )
    sheet.row("ANSWER", answer, strong=True)
    if rim_mm is not None:
        off, spread = once.ring_mm(rim_mm / 2), once.ring_uncertainty_percent / 100 * rim_mm / 2
        places = rounded(spread)
        sheet.row("DOTS", f"{off:.{places}f} mm (±{spread:.{places}f}) off centre on a rim of {rim_mm:g} mm")
    else:
        sheet.row("DOTS", "With --rim-mm MM this is said in mm off centre.")
    rows = [("times a turn", "speed", "ring", "each")]
    for part in parts:
        if part.blind:
            rows.append((str(part.order), "not parted", f"up to ±{part.ring_uncertainty_percent:.2g} %", ""))
        else:
            places = rounded(part.ring_uncertainty_percent)
            rows.append(
                (
                    str(part.order),
                    f"±{part.wobble_percent:.{places}f} %",
                    f"±{part.ring_percent:.{places}f} %",
                    f"±{part.ring_uncertainty_percent:.{places}f}",
                )
            )
    sheet.row("PARTS", *columns(rows))
    sheet.row("ALONE", *(f"clip {k}, {ring_line(one)}" for k, one in enumerate(alone, 1) if one is not None))
    if rim_driven:
        sheet.row(
            "BEWARE",
            "On a platter driven at its rim, a rim off centre moves the dots and the speed together: the two are one "
            "and the same fault.",
        )
    sheet.row(
        "RESTS ON",
        f"two clips, the camera moved by {turned_by_deg:g} degrees round the spindle with the turning, and the mark's "
        "passing in each. A spindle that moves sideways is not told apart.",
    )
    return sheet.text()


def ring_dict(
    parts: Sequence[RingPart], turned_by_deg: float, rim_mm: float | None, *, alone: Sequence[RingShare | None] = ()
) -> dict[str, Any]:
    """The JSON object ``strobe.ring/1``."""
    once = parts[0]
    return {
        "schema": "strobe.ring/1",
        "turned_by_deg": turned_by_deg,
        "alone": [None if one is None else asdict(one) for one in alone],
        "ring_off_centre_mm": None if rim_mm is None or once.blind else once.ring_mm(rim_mm / 2),
        "parts": [
            {
                "order": part.order,
                "blind": part.blind,
                "wobble_percent": part.wobble_percent,
                "wobble_uncertainty_percent": part.wobble_uncertainty_percent,
                "ring_percent": part.ring_percent,
                "ring_uncertainty_percent": part.ring_uncertainty_percent,
            }
            for part in parts
        ],
    }


def _kept_words(one: Kept) -> str:
    if one.keeps == "neither" or one.partner is None:
        return "not seen"
    place = f"{one.partner.frequency_hz:.3g} Hz"
    return {"order": f"keeps its order ({place})", "rate": f"keeps its Hz ({place})", "both": "either"}[one.keeps]
