"""What a reading of a disc from above says of the disc itself: its rings, and how it lies on the spindle."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from strobe.measurement import DiscView, Note, RingSeen, Setup
from strobe.measuring.disc import OFF_CENTRE_SHARE, DiscWork
from strobe.measuring.hypotheses import Hypothesis
from strobe.pattern import RowSeries
from strobe.phase import TimeBase
from strobe.phase.ring import EvenRing

__all__ = ["disc_view", "notes_of_disc", "setup_of_disc"]

_LEAST_OFF_CENTRE = 4e-5
"""e / R that coding and picture grid may feign (seen on rendered clips)."""
_SCALE_SHARE, _SCALE_SHARE_OF_A_PART, _MOSTLY = 0.01, 0.04, 0.65
"""How well the paper's edge sets the scale, relative, where a ring is mostly seen and where it is not."""
_WHOLE, _WORTH_SAYING_PERCENT = 0.97, 0.05
"""Share of a ring in view from which it counts as whole; and e / R in percent from which it is told of, as much as
`RING_OFF_CENTRE_PERCENT` takes for usual on a rim (by choice)."""


def disc_view(work: DiscWork, chosen: Hypothesis, even: EvenRing, time: TimeBase, disc_mm: float | None) -> DiscView:
    """What the reading says of the disc itself; millimetres where the paper's diameter is given and its edge shows."""
    unit_mm = None
    if disc_mm is not None and work.facts.paper_radius is not None:
        unit_mm = disc_mm / 2 / work.facts.paper_radius
    rings = tuple(_ring_seen(row, unit_mm) for row in work.raw)
    ring = chosen.evidence.row.ring
    assert ring is not None
    share = uncertainty = direction = None
    if even.error is not None:
        share = abs(even.error.off_centre)
        parts = (even.error.off_centre_uncertainty, OFF_CENTRE_SHARE * share, _LEAST_OFF_CENTRE)
        uncertainty = float(np.linalg.norm(parts))
        if work.mark is not None:
            turns = chosen.line.dots[0] / chosen.dots
            mark = work.mark.angle_rev + work.mark.rate_hz * time.time_s[0]
            place = np.angle(even.error.off_centre) / (2 * np.pi) - turns + mark
            direction = float(360 * (place % 1.0))
    off_mm = off_uncertainty_mm = None
    if share is not None and uncertainty is not None and unit_mm is not None:
        off_mm = share * ring.radius * unit_mm
        scale = _SCALE_SHARE if ring.seen_share > _MOSTLY else _SCALE_SHARE_OF_A_PART
        off_uncertainty_mm = float(np.hypot(uncertainty, scale * share)) * ring.radius * unit_mm
    return DiscView(
        elevation_deg=work.facts.elevation_deg,
        rings=rings,
        eccentricity_percent=None if share is None else 100 * share,
        eccentricity_uncertainty_percent=None if uncertainty is None else 100 * uncertainty,
        eccentricity_mm=off_mm,
        eccentricity_uncertainty_mm=off_uncertainty_mm,
        eccentricity_direction_deg=direction,
    )


def setup_of_disc(setup: Setup, view: DiscView) -> Setup:
    """The setup with the view, and the dots not assumed where they were counted."""
    counted = any(ring.counted and ring.bars == setup.dots for ring in view.rings)
    assumed = tuple(name for name in setup.assumed if not (counted and name == "dots"))
    return replace(setup, view="disc", assumed=assumed)


def notes_of_disc(chosen: Hypothesis, view: DiscView, left_percent: float) -> tuple[Note, ...]:
    """What to beware of with a disc."""
    ring = chosen.evidence.row.ring
    assert ring is not None
    notes = []
    share, unsure = view.eccentricity_percent, view.eccentricity_uncertainty_percent
    if share is not None and unsure is not None and share > max(unsure, _WORTH_SAYING_PERCENT):
        mm = "" if view.eccentricity_mm is None else f"{view.eccentricity_mm:.2f} mm, "
        where = view.eccentricity_direction_deg
        way = "" if where is None else f", {where:.0f} degrees anticlockwise from the mark that passes once a turn"
        notes.append(
            Note(
                "disc-off-centre",
                f"The disc lies off centre by {mm}{share:.2f} % of the ring's radius{way}; that is taken off."
                + (" With --disc-mm, the paper's diameter, it is told in millimetres." if not mm else ""),
            )
        )
    if ring.seen_share < _WHOLE:
        notes.append(
            Note(
                "ring-partly-seen",
                f"Only {100 * ring.seen_share:.0f} % of the ring is seen, so that an off-centre disc does not average "
                f"out; {'it was told from the parts in view and taken off, and ' if view.eccentricity_percent else ''}"
                f"{left_percent:.2g} % of false wobble once a turn is kept in the uncertainty.",
            )
        )
    if ring.bars is None:
        notes.append(
            Note(
                "ring-not-counted",
                f"Too little of the ring is seen to count its bars surely ({ring.bars_seen:.1f} by what is seen); "
                f"{chosen.dots} were taken.",
            )
        )
    return tuple(notes)


def _ring_seen(row: RowSeries, unit_mm: float | None) -> RingSeen:
    ring = row.ring
    assert ring is not None
    return RingSeen(
        bars=ring.bars if ring.bars is not None else round(ring.bars_seen),
        counted=ring.bars is not None,
        seen_share=ring.seen_share,
        radius_mm=None if unit_mm is None else ring.radius * unit_mm,
    )
