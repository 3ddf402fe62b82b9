"""The joint of a printed strip round a rim: a step of the bars once a turn, found, and taken off.

A strip of N bars whose joint is wider by g pitches than the other gaps shows ``N + g`` pitches a turn everywhere but
there, where the bars jump back: the phase of the part of a row that has the joint u turns behind it is
``N theta + g u``. Parts left and right of the joint differ by the step while it passes, and no speed makes them do so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from strobe.measurement import Note
from strobe.measuring.hypotheses import Hypothesis
from strobe.pattern import RowSeries
from strobe.phase import TimeBase, combine_blocks

__all__ = ["Joint", "backwards", "find_joint", "notes_of_joint", "without_joint"]

_LEAST_TURNS, _FEWEST_BLOCKS = 2.2, 6
"""Turns in the clip, of which two must be whole for the step to repeat; and parts of the row on both sides of the joint
(by trial)."""
_GRID_DOTS = 1.0
"""Dots from one place that is tried to the next; round the best one a quarter of that."""
_LEAST_STEP_DOTS, _CLEARER, _SIGMAS = 0.02, 3.0, 6.0
"""A step that counts: its size (a usual ring's dots stand uneven by a tenth of that over a part of the row), how much
more it explains than one at any other place, and by how many standard deviations it repeats from turn to turn."""
_ROUNDS, _CENTRED = 2, 3
"""Times that joint and line are read after each other; and times that means of frames and blocks are taken off in turn,
which weights keep from being exact at once (by trial)."""

_Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Joint:
    """The joint of a strip.

    Attributes
    ----------
    step_dots, uncertainty_dots : float
        By how much the gap at the joint is wider than the others, in gaps, and its 95 % half-width.
    place_dots : float
        Dots from the row's left end at which it stands when no dot has passed.
    """

    step_dots: float
    uncertainty_dots: float
    place_dots: float

    def false_swing_percent(self, dots: int) -> float:
        """What may be left of the step once a turn as a swing of the speed, a 95 % half-width.

        A step of g gaps makes a saw of the dots; its part once a turn has the amplitude ``g / pi``, which is
        ``2 g / dots`` of the speed, and so has each multiple.
        """
        return 200 * self.uncertainty_dots / dots


def find_joint(row: RowSeries, dots_passed: _Floats, *, dots: int) -> Joint | None:
    """The joint of the strip that a row belongs to; None where no step stands out.

    Parameters
    ----------
    row : RowSeries
    dots_passed : array of float64 (frames,)
        Dots that have passed by the reading of the whole row.
    dots : int
        Dots in one turn.
    """
    turns = float(dots_passed[-1] - dots_passed[0]) / dots
    if row.places_dots is None or row.blocks.shape[1] < _FEWEST_BLOCKS or turns < _LEAST_TURNS:
        return None
    apart, weight = _apart(row)
    centred = _centred(apart, weight)
    grid = np.arange(0.0, dots, _GRID_DOTS)
    explained = np.array([_fit(_saw(row, dots_passed, place, dots), centred, weight)[1] for place in grid])
    best = int(np.argmax(explained))
    away = np.abs((grid - grid[best] + dots / 2) % dots - dots / 2) > float(np.ptp(row.places_dots))
    if explained[best] < _CLEARER * explained[away].max():
        return None
    fine = grid[best] + np.linspace(-1, 1, 9) * _GRID_DOTS
    saws = [_saw(row, dots_passed, place, dots) for place in fine]
    best = int(np.argmax([_fit(saw, centred, weight)[1] for saw in saws]))
    place, saw = float(fine[best]), saws[best]
    # A part that the joint stands in tells best where that is, and worst how large its step is.
    beside = np.where(_is_clear(row, saw, dots), weight, 0.0)
    turn = ((dots_passed - dots_passed[0]) / dots).astype(int)
    weights = [beside, *(beside * (turn == number)[:, None] for number in range(int(turns)))]
    step, *each = (_fit(saw, _centred(apart, one), one)[0] for one in weights)
    sigma = float(np.std(each, ddof=1) / np.sqrt(len(each)))
    if abs(step) < max(_LEAST_STEP_DOTS, _SIGMAS * sigma):
        return None
    return Joint(step, 2 * sigma + _LEAST_STEP_DOTS / 10, place)


def _apart(row: RowSeries) -> tuple[_Floats, _Floats]:
    """Phase (frames, blocks) of each part beyond the whole row's, in dots and about its mean; and weights."""
    blocks = row.blocks.astype(np.complex128)
    total, _ = combine_blocks(row.blocks)
    turned = blocks * np.conj(total)[:, None]
    apart = np.angle(turned * np.conj(turned.sum(axis=0))) / (2 * np.pi)
    weight = np.abs(blocks)
    return apart, weight / weight.mean()


def _saw(row: RowSeries, dots_passed: _Floats, place_dots: float, dots: int) -> _Floats:
    """Turns since the joint passed each part (frames, blocks), less a half."""
    assert row.places_dots is not None
    behind = (dots_passed[:, None] - dots_passed[0] + row.places_dots - place_dots) / dots
    return np.asarray(behind - np.floor(behind) - 0.5)


def _is_clear(row: RowSeries, saw: _Floats, dots: int) -> NDArray[np.bool_]:
    """Parts (frames, blocks) that the joint does not stand in."""
    assert row.places_dots is not None
    return np.asarray((0.5 - np.abs(saw)) * dots > abs(float(np.median(np.diff(row.places_dots)))))


def _centred(parts: _Floats, weight: _Floats) -> _Floats:
    """What of `parts` (frames, blocks) neither goes with the frame alone nor with the block."""
    of_block, of_frame = weight.sum(axis=0) + 1e-12, weight.sum(axis=1) + 1e-12
    for _ in range(_CENTRED):
        parts = parts - np.einsum("fb,fb->b", weight, parts) / of_block
        parts -= (np.einsum("fb,fb->f", weight, parts) / of_frame)[:, None]
    return parts


def _fit(saw: _Floats, centred: _Floats, weight: _Floats) -> tuple[float, float]:
    """Step of a joint, and how much it explains of the parts' differences, `centred` with the same weight."""
    saw = _centred(saw, weight)
    square, product = (float(np.einsum("fb,fb,fb->", weight, saw, one)) for one in (saw, centred))
    return product / square, product**2 / square


def without_joint(chosen: Hypothesis, time: TimeBase) -> tuple[Hypothesis, Joint | None]:
    """The hypothesis read again without the step of a joint, and the joint; as it was where none is seen."""
    joint: Joint | None = None
    raw = chosen.evidence.row
    if raw.ring is not None:
        return chosen, None
    for _ in range(_ROUNDS):
        joint = find_joint(raw, chosen.line.dots, dots=chosen.dots)
        if joint is None:
            return chosen, None
        saw = _saw(raw, chosen.line.dots, joint.place_dots, chosen.dots)
        clear = _is_clear(raw, saw, chosen.dots)
        blocks = (raw.blocks * clear * np.exp(-2j * np.pi * joint.step_dots * saw)).astype(np.complex64)
        amplitude, _ = combine_blocks(blocks)
        line = chosen.read_again(amplitude, time, chosen.lamp)
        evidence = replace(chosen.evidence, row=replace(raw, blocks=blocks), amplitude=amplitude)
        chosen = replace(chosen, evidence=evidence, line=line)
    return chosen, joint


def backwards(row: RowSeries) -> RowSeries:
    """The row as if it moved the other way."""
    places = None if row.places_dots is None else -row.places_dots
    return replace(row, blocks=row.blocks.conj(), places_dots=places)


def notes_of_joint(joint: Joint | None) -> tuple[Note, ...]:
    """What to say of a joint."""
    if joint is None:
        return ()
    what = "wider" if joint.step_dots > 0 else "narrower"
    return (
        Note(
            "strip-joint",
            f"The bars jump once a turn, as at the joint of a strip: the gap there is {abs(joint.step_dots):.2f} of a "
            f"pitch {what} than the others. That was taken off.",
        ),
    )
