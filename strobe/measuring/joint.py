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

__all__ = ["FEW_PARTS", "Joint", "backwards", "find_joint", "notes_of_joint", "without_joint"]

_REPEATING_TURNS, _LEAST_TURNS = 2.2, 1.0
"""Turns in the clip, of which two must be whole for the step to repeat (by trial); and for it to pass every part."""
_FEWEST_PARTS, _FEWEST_TO_TRAVEL, FEW_PARTS = 2, 4, 6
"""Parts of the row: one on either side of the joint; for a step to be seen to travel that does not repeat; and below
which most parts have the joint in them while it passes, so that none can be spared (by trial)."""
_BACKWARDS = 2.0
"""How much more a step that does not repeat explains than one that would travel against the dots. Where the picture
itself is stretched all at once neither way is the better; a joint in many parts explains four times as much (closed
form: the two ways are alike by a half), in four or five parts 2.2 to 3 times. What falls short is bounded by the
course."""
_ONE_DOT = 1.0
"""How much more it explains than a single dot out of place: a joint 1.7 times as much and more, such a dot less than
0.6 (rendered strips and rings of two to twelve parts)."""
_BENT_SHARE = 0.06
"""Of a step, by which it is read wrong at the most where no part is spared (12 rendered close-ups)."""
_GRID_DOTS = 1.0
"""Dots from one place that is tried to the next; round the best one a quarter of that."""
_LEAST_STEP_DOTS, _CLEARER, _SIGMAS = 0.02, 3.0, 6.0
"""A step that counts: its size (a usual ring's dots stand uneven by a tenth of that over a part of the row), how much
more it explains than one at any other place, and by how many standard deviations it stands out: as it repeats from turn
to turn, or of what other places feign where it does not."""
_ROUNDS, _CENTRED, _BENT = 2, 3, 4
"""Times that joint and line are read after each other; times that means of frames and blocks are taken off in turn,
which weights keep from being exact at once; and times that a step is bettered in parts that it bends (by trial)."""

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

    Notes
    -----
    A step that comes again turn after turn needs no other witness. One that passes once or twice has to travel along
    the row as the dots do, which no jump of the picture does.
    """
    turns = float(dots_passed[-1] - dots_passed[0]) / dots
    repeats = turns >= _REPEATING_TURNS
    fewest = _FEWEST_PARTS if repeats else _FEWEST_TO_TRAVEL
    if row.places_dots is None or row.blocks.shape[1] < fewest or turns < _LEAST_TURNS:
        return None
    apart, weight = _apart(row)
    centred = _centred(apart, weight)
    grid = np.arange(0.0, dots, _GRID_DOTS)
    explained = np.array([_fit(_Passing(row, dots_passed, place, dots).seen, centred, weight)[1] for place in grid])
    best = int(np.argmax(explained))
    away = np.abs((grid - grid[best] + dots / 2) % dots - dots / 2) > float(np.ptp(row.places_dots))
    if explained[best] < _CLEARER * explained[away].max():
        return None
    fine = grid[best] + np.linspace(-1, 1, 9) * _GRID_DOTS
    passing = [_Passing(row, dots_passed, place, dots) for place in fine]
    fits = [_fit(one.seen, centred, weight)[1] for one in passing]
    best = int(np.argmax(fits))
    joint, place = passing[best], float(fine[best])
    near = place + np.arange(-np.ptp(row.places_dots), np.ptp(row.places_dots) + 1, _GRID_DOTS)
    out_of_place = (_Passing(row, dots_passed, dot, dots).one_dot for dot in near)
    if fits[best] < _ONE_DOT * max(_fit(one, centred, weight)[1] for one in out_of_place):
        return None
    # A part that the joint stands in tells best where that is, and worst how large its step is.
    beside = np.where(joint.clear, weight, 0.0)
    if repeats:
        turn = ((dots_passed - dots_passed[0]) / dots).astype(int)
        each = [_step(joint, apart, beside * (turn == number)[:, None]) for number in range(int(turns))]
        sigma = float(np.std(each, ddof=1) / np.sqrt(len(each)))
    else:
        against = replace(row, places_dots=row.places_dots[::-1])
        other_way = (_Passing(against, dots_passed, one, dots).seen for one in grid)
        if fits[best] < _BACKWARDS * max(_fit(one, centred, weight)[1] for one in other_way):
            return None
        left = _centred(apart - _fit(joint.seen, centred, weight)[0] * joint.seen, weight)
        feigned = [_fit(_Passing(row, dots_passed, one, dots).seen, left, weight)[0] for one in grid[away]]
        sigma = float(np.sqrt(np.mean(np.square(feigned))))
    step = _step(joint, apart, beside)
    if abs(step) < max(_LEAST_STEP_DOTS, _SIGMAS * sigma):
        return None
    bent = _BENT_SHARE * step if row.blocks.shape[1] < FEW_PARTS else 0.0
    return Joint(step, float(np.hypot(2 * sigma + _LEAST_STEP_DOTS / 10, bent)), place)


def _apart(row: RowSeries) -> tuple[_Floats, _Floats]:
    """Phase (frames, blocks) of each part beyond the whole row's, in dots and about its mean; and weights."""
    blocks = row.blocks.astype(np.complex128)
    total, _ = combine_blocks(row.blocks)
    turned = blocks * np.conj(total)[:, None]
    apart = np.angle(turned * np.conj(turned.sum(axis=0))) / (2 * np.pi)
    weight = np.abs(blocks)
    return apart, weight / weight.mean()


class _Passing:
    """A joint at some place as it passes the parts of a row, each of which shows the mean over a triangle of dots.

    A part's triangle ends in the middle of the parts beside it, as `strobe.pattern` cuts a row.

    Attributes
    ----------
    clear : array of bool (frames, blocks)
        Parts whose own dots tell the step: those that the joint does not stand in, or all where the parts are few.
    seen : array of float64 (frames, blocks)
        Turns since the joint passed each part, less a half, for a small step; its mean over the dots of the part.
    """

    def __init__(self, row: RowSeries, dots_passed: _Floats, place_dots: float, dots: int) -> None:
        assert row.places_dots is not None
        behind = (dots_passed[:, None] - dots_passed[0] + row.places_dots - place_dots) / dots
        self._saw: _Floats = behind - np.floor(behind) - 0.5
        away = (0.5 - np.abs(self._saw)) * dots / abs(float(np.median(np.diff(row.places_dots))))
        self._inside: _Floats = np.maximum(1 - away, 0.0)
        self._beyond: _Floats = self._inside**2 / 2
        few = row.blocks.shape[1] < FEW_PARTS
        self.clear: NDArray[np.bool_] = np.full(self._saw.shape, few) | (away > 1)
        self.seen: _Floats = self._saw - self._beyond * np.sign(self._saw)

    @property
    def one_dot(self) -> _Floats:
        """What a single dot out of place would show there instead (frames, blocks)."""
        return self._inside

    def turned(self, step_dots: float) -> NDArray[np.complex128]:
        """What a step of that size makes of each part's amplitude (frames, blocks); less where it stands inside."""
        over = np.exp(-2j * np.pi * step_dots * np.sign(self._saw))
        return np.asarray(np.exp(2j * np.pi * step_dots * self._saw) * (1 + self._beyond * (over - 1)))


def _step(joint: _Passing, apart: _Floats, weight: _Floats) -> float:
    """Size of a step, which bends the phase of a part that it stands in more than it shifts it."""
    step = 0.0
    for _ in range(_BENT):
        bent = np.angle(joint.turned(step) * np.exp(-2j * np.pi * step * joint.seen)) / (2 * np.pi)
        step = _fit(joint.seen, _centred(apart - bent, weight), weight)[0]
    return step


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
        passing = _Passing(raw, chosen.line.dots, joint.place_dots, chosen.dots)
        turned = passing.turned(joint.step_dots)
        blocks = (raw.blocks * passing.clear * np.conj(turned)).astype(np.complex64)
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
