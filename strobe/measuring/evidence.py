"""A row that moves, made ready for reading: its amplitude, what comes round with the turn, what travels along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.measuring.lamps import Lamp
from strobe.pattern import RowSeries
from strobe.phase import (
    CoarseLine,
    MarkTravel,
    TimeBase,
    TurnSignature,
    combine_blocks,
    find_travel,
    find_turns,
    follow_phase,
    lit_frames,
    part_lines,
)

__all__ = ["RowEvidence", "gather"]


@dataclass(frozen=True, eq=False)
class RowEvidence:
    """A row that moves, made ready for reading; `kind` where its amplitude holds only one of the two lines."""

    row: RowSeries
    amplitude: NDArray[np.complex128]
    turns: TurnSignature | None
    lit_share: float
    kind: str | None = None
    travel: MarkTravel | None = None


def gather(rows: Sequence[RowSeries], time: TimeBase, lamp: Lamp) -> list[RowEvidence]:
    """Combine the parts of each row and look for its turns, beside what a lamp does whose flicker is seen."""
    found = []
    cycles = lamp.cycles if lamp.flash is not None or lamp.kind == "dimmed" else None
    repeating = cycles
    if cycles is not None and lamp.flash is not None and lamp.flash.uneven:
        repeating = cycles / 2
    travels = [
        find_travel(row.blocks, row.places_dots, time.time_s, time.interval_s, repeating)
        if row.places_dots is not None and row.ring is None
        else None
        for row in rows
    ]
    for row, own in zip(rows, travels, strict=True):
        travel = _travel_by_another(row, rows, travels) if own is None else own
        amplitude, _ = combine_blocks(row.blocks)
        turns = find_turns(row.blocks, amplitude, time.index, time.interval_s, repeating)
        parted: tuple[NDArray[np.complex128], ...] = ()
        if lamp.flash is not None and cycles is not None:
            parted = part_lines(row.blocks, _strongest(amplitude, time), cycles)
        kinds = ("camera", "lamp") if parted else (None,)
        for kind, one in zip(kinds, parted or (amplitude,), strict=True):
            found.append(RowEvidence(row, one, turns, float(np.mean(lit_frames(one))), kind, travel))
    return found


def _travel_by_another(
    row: RowSeries, rows: Sequence[RowSeries], travels: Sequence[MarkTravel | None]
) -> MarkTravel | None:
    """How fast marks travel along a row that is too short to show them, by another row of the same platter."""
    if row.places_dots is None or row.ring is not None:
        return None
    seen = [(other, travel) for other, travel in zip(rows, travels, strict=True) if travel is not None]
    alike = [(other, travel) for other, travel in seen if _runs_left(other) == _runs_left(row)]
    if not alike:
        return None
    clearest, travel = max(alike, key=lambda one: float(one[1].likeness.max()))
    return travel.scaled(clearest.pitch_px / row.pitch_px)


def _runs_left(row: RowSeries) -> bool:
    """Whether its dots are counted towards the left edge of the picture, as those of a row taken backwards are."""
    assert row.places_dots is not None
    return bool(row.places_dots[-1] < row.places_dots[0])


def _strongest(amplitude: NDArray[np.complex128], time: TimeBase) -> NDArray[np.float64]:
    """Phase in cycles (frames,) of the strongest line."""
    size = 2 << int(np.ceil(np.log2(time.index[-1] + 1)))
    placed = np.zeros(size, complex)
    placed[time.index] = amplitude
    top = int(np.argmax(np.abs(np.fft.fft(placed))))
    line = CoarseLine(float(np.fft.fftfreq(size, time.interval_s)[top]), 1.0)
    return follow_phase(amplitude, time.time_s, line, time.interval_s)
