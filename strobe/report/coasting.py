"""A run-down in words: time from 45 to 33 1/3, dry and viscous friction, and what repeats once a turn."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from rich.text import Text

from strobe.drive.coasting import Coast
from strobe.drive.parts import PART_BY_KEY
from strobe.report.sheet import Sheet
from strobe.report.words import at_most, printable, rounded

__all__ = ["coast_dict", "coast_text"]

TOLD = {
    "given": "the speed at its beginning was given",
    "stop": "it runs until the platter stands",
    "turn": "the dots' small differences repeat once a turn",
}
FROM_RPM, TO_RPM = 45.0, 100 / 3
"""Between which the time is told; what of it was not filmed only the law tells."""
CLEAR = 1.0
"""95 % half-widths that dots off centre must exceed to be told."""


def coast_text(path: str, law: Coast, *, told_by: str) -> Text:
    """The answer on lines of at most 80 columns."""
    sheet = Sheet()
    sheet.row("RUN-DOWN", f"{printable(path)}, from {law.start_rpm:.1f} to {law.end_rpm:.1f} rpm")
    sheet.row("TIME", _time(law), strong=True)
    friction = [
        f"dry      takes {_figure(law.dry_rpm_per_s, law.dry_uncertainty_rpm_per_s)} rpm off in a second",
        f"viscous  takes {_figure(100 * law.viscous_per_s, 100 * law.viscous_uncertainty_per_s)} % off in a second",
        "Dry friction is the bush and the thrust ball; viscous is oil and air.",
    ]
    if law.viscous_per_s < -law.viscous_uncertainty_per_s:
        friction.append("Viscous below 0: friction grows as the platter slows, as where oil no longer carries it.")
    sheet.row("FRICTION", *friction)
    sheet.row("ONCE A TURN", *_once(law))
    sheet.row(
        "NEXT",
        "Keep these figures; clean and oil the bearing, and film again with the same start: dry friction falls if it "
        "was the bearing.",
    )
    if law.torque_kind == "tight spot":
        sheet.row("REMEDY", PART_BY_KEY["bearing"].remedy)
    sheet.row("RESTS ON", f"{TOLD[told_by]}; ± is a 95 % interval")
    return sheet.text()


def coast_dict(path: str, law: Coast, *, told_by: str) -> dict[str, Any]:
    """The JSON object ``strobe.coast/1``."""
    return {"schema": "strobe.coast/1", "clip": {"path": path}, "told_by": told_by, **asdict(law)}


def _time(law: Coast) -> str:
    spread = law.from_45_to_33_uncertainty_s
    if law.from_45_to_33_s is None or spread is None:
        return "not told from 45 to 33 1/3 rpm: by the law below nothing sure slows it there; film all of that"
    told = f"{law.from_45_to_33_s:.{rounded(spread)}f} s (±{spread:.{rounded(spread)}f}) from 45 to 33 1/3 rpm"
    if law.start_rpm >= FROM_RPM and law.end_rpm <= TO_RPM:
        return told
    none_filmed = law.end_rpm >= FROM_RPM or law.start_rpm <= TO_RPM
    return f"{told}, {'' if none_filmed else 'part of it '}by the law below"


def _figure(value: float, spread: float) -> str:
    decimals = rounded(spread)
    if abs(value) <= spread:
        return f"less than {at_most(value + spread, decimals)}"
    return f"{value:.{decimals}f} (±{spread:.{decimals}f})"


def _once(law: Coast) -> list[str]:
    said = []
    if law.ring_percent > CLEAR * law.ring_uncertainty_percent:
        decimals = rounded(law.ring_uncertainty_percent)
        said.append(
            f"±{law.ring_percent:.{decimals}f} % (±{law.ring_uncertainty_percent:.{decimals}f}) is the same at every "
            "speed: the ring of dots off centre"
        )
    if law.torque_kind == "unbalance":
        said.append("A wave that grows as it slows, without multiples: unbalance, or the machine is not level.")
    elif law.torque_kind == "tight spot":
        place = "" if law.tight_angle_deg is None else f", {law.tight_angle_deg:.0f} degrees after the first picture"
        said.append(f"A catch at one angle that grows as it slows{place}: the bearing.")
    return said or ["Nothing that repeats once a turn stands clear of the noise."]
