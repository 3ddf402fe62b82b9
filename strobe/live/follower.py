"""Follows the dots from frame to frame and says, some times a second, what is known.

Three things run one above the other: the rows in sight (`sight`), what they are (`recognise`, now and then, beside the
frames), and the figure of the newest whole turns (`figure`). Each falls back when the one below it does.
"""

from __future__ import annotations

from collections import deque
from concurrent.futures import Executor, Future
from dataclasses import replace
from itertools import pairwise, takewhile
from typing import Any

import numpy as np
from numpy.typing import NDArray

from strobe.capture import Frame, SourceFacts
from strobe.errors import Refused
from strobe.figures.rings import nearest_nominal_rpm, still_dots_hz
from strobe.live.course import Course
from strobe.live.figure import MOST_TURNS, Figure, figure_of, lamp_hz, systematic_percent
from strobe.live.instruct import instruction_for
from strobe.live.recognise import LEAST_FRAMES, LEAST_S, Recognised, left_dots, measure_frames, recognise, times_of
from strobe.live.records import LiveOptions, LiveUpdate, Lock, State
from strobe.live.sight import Sight
from strobe.measurement import Measurement
from strobe.pattern.stepwise import FrameReading, PatternReader
from strobe.phase import TimeBase, combine_blocks

__all__ = ["UPDATE_S", "Follower"]

UPDATE_S = 0.2
"""Time from update to update: five a second."""
_KEPT_S, _CLOCK_S, _SPREADS_S = 90.0, 30.0, 60.0
"""How long are kept: what was read of the frames, their stamps for the cadence, and how much single turns scattered. By
trial."""
_LONGEST_GAP_S = 0.6
"""Between two stamps; after a longer one nothing hangs together with what came before. By trial."""
_TRY_S, _CHECK_S = 0.5, 5.0
_TRY_LONGEST_S, _CHECK_LONGEST_S = 4.2, 12.0
"""How often a full reading is asked for, and of how many seconds at most: until what is seen is confirmed (little more
than `LEAST_S`), and to check it. By trial."""
_ENOUGH_FRAMES = LEAST_FRAMES + 10
"""Frames that a slow camera is watched for: some more than the least, by trial."""
_STEADY_TURNS = 2
"""Even turns that make it steady: two that agree are the fewest that can."""
_CALM = 2
"""So many updates with even turns more than without make it steady, as many without them end that."""
_LEAST_TURN = 0.85
"""Share of a nominal turn before which no figure is tried; the fastest platter that is followed, 12.5 % fast, takes
0.89."""
_SAME_RING = 0.1
"""By how much, relative, a row's pitch may differ from the known ring's to be taken for it; by trial."""
_HELD_UP_S = 0.5
"""For so long after the rows were learned pictures may come held up by that; by trial."""
_TWICE, _TWICE_OF = 4, 12
"""So many repeats among so many frames, no two of them in a row, are a stream that brings each picture twice, some
lost."""
_OLD_S = 30.0
"""After so long without another measure of the lamp it is said; our own choice."""
_COARSE_PERCENT, _CHECK_SOON_S = 0.015, 2.0
"""Where lamp and clock leave more than this open, a full reading is asked for so soon again, as the lamp's rate gets
better; by trial."""
_CONTRADICTIONS = 2
"""Full readings that must say something else, none agreeing meanwhile, before what was recognised is let go; by
trial."""
_FAR_FROM_BEFORE = 0.04
"""Relative; what was seen before a break is taken to go on within this, as far as a knob reaches. Farther off it may be
the other of lamp and camera that times the dots, or another speed."""
_FEWEST_TURNS_KEPT = 2.1
"""Turns of a part that a full reading is made of: two, and some more."""
_FEWEST_FRAMES = 24
"""Fewest frames for a figure; by trial."""
_ENDS = {
    "too fast": "The speed changes fast; it is read again once it runs evenly.",
    "not followed": "The dots can't be followed: the platter may be stopping, or the light has changed.",
}


class Follower:
    """Takes frames, gives updates.

    Parameters
    ----------
    facts : SourceFacts
        Of the source.
    options : LiveOptions
        What is known beforehand.
    executor : Executor
        Where the full readings are made, beside the frames.
    """

    def __init__(self, facts: SourceFacts, options: LiveOptions, executor: Executor) -> None:
        self._facts, self._options, self._executor = facts, options, executor
        self._sight = Sight(facts)
        self._seen: deque[FrameReading] = deque()
        self._stamps: deque[float] = deque()
        self._course = Course()
        self._fast_s = -np.inf
        self._confirmed = False
        self._lock: Lock | None = None
        self._since_s = 0.0
        self._even_from_s = self._measured_from_s = np.inf
        self._calm, self._steady = 0, False
        self._last_s: float | None = None
        self._shape: tuple[int, ...] | None = None
        self._updated_s = -np.inf
        self._asked_s = -np.inf
        self._asked: tuple[Future[Recognised], PatternReader, float, float] | None = None
        self._ring: tuple[float, int] | None = None
        self._why = ""
        self._refused: Refused | None = None
        self._contradictions = 0
        self._had_figure = False
        self._kept: tuple[PatternReader, list[FrameReading], Lock | None] | None = None
        self._spreads: deque[tuple[float, float]] = deque()
        self._sure = False
        self._instruction = ""
        self._luma: NDArray[Any] | None = None
        self._twice: deque[bool] = deque(maxlen=_TWICE_OF)
        self._doubled = False
        self.frames = 0

    @property
    def lock(self) -> Lock | None:
        """What is recognised now."""
        return self._lock

    @property
    def outlines(self) -> tuple[NDArray[np.float64], ...]:
        """Around each row in sight a closed line (points, 2) of places (right, down) in pixels; the read one first."""
        reader = self._sight.reader
        if reader is None or not self._sight.in_sight:
            return ()
        found = list(reader.outlines)
        return (found.pop(self._sight.row), *found)

    def take(self, frame: Frame) -> LiveUpdate | None:
        """Take the next frame; an update when one is due."""
        now = frame.time_s
        if now == self._last_s:
            return None
        if self._shape not in (None, frame.luma.shape):
            self._resized(frame)
        self._shape = frame.luma.shape
        if self._last_s is not None and not 0 < now - self._last_s < _LONGEST_GAP_S:
            self._interrupt(now)
        self._last_s = now
        self.frames += 1
        if self._is_put_in(frame):
            return None
        if now >= self._sight.since_s:
            self._stamps.append(now)
        while self._stamps and self._stamps[0] < now - _CLOCK_S:
            self._stamps.popleft()
        before = self._sight.reader
        is_due = now - self._updated_s >= UPDATE_S
        for one in self._sight.take(frame, look=is_due):
            self._seen.append(one)
        if self._sight.reader is not before:
            self._new_reader()
            if self._facts.stamps == "arrival":
                # Learning holds up the pictures that come meanwhile.
                self._interrupt(now + _HELD_UP_S)
        while self._seen and self._seen[0].time_s < now - _KEPT_S:
            self._seen.popleft()
        if self._sight.since_s > self._since_s:
            self._begin_anew(self._sight.since_s)
        if now - self._updated_s < UPDATE_S:
            return None
        self._updated_s = now
        return self._update(now)

    def _is_put_in(self, frame: Frame) -> bool:
        """Whether the frame is the one before once more, in a stream that brings about every picture twice.

        Fewer repeats are kept, since they show a stream brought to another rate, whose times are wrong throughout.
        """
        before, self._luma = self._luma, frame.luma
        twice = before is not None and bool(np.array_equal(frame.luma, before))
        self._twice.append(twice)
        flags = list(self._twice)
        doubled = sum(flags) >= _TWICE and not any(one and other for one, other in pairwise(flags))
        if doubled and not self._doubled:
            self._interrupt(frame.time_s)
        self._doubled = doubled
        return doubled and twice

    def waiting(self, time_s: float, message: str) -> LiveUpdate:
        """An update while no frame comes."""
        return self._blank("lost", time_s, message)

    def settled(self) -> Measurement:
        """The full reading of the part since the speed was last changed, or of the one before where that is too short.

        Raises
        ------
        Refused
            When nothing settled was seen, or no figure from it could be trusted.
        """
        self._keep()
        if self._kept is None:
            if self._refused is not None:
                raise self._refused
            raise Refused(
                "too-short",
                "No settled part was seen: " + (self._why or self._sight.message or "the run was too short."),
                "Let the readout come to steady and stay there for ten seconds.",
            )
        reader, frames, known = self._kept
        return measure_frames(reader, frames, self._facts, self._options, known=known)

    def reading_now(self) -> Measurement | None:
        """The full reading of what runs evenly now; None where that is too short, or shows no figure to be trusted."""
        part = self._even_part()
        if part is None:
            return None
        reader, frames, known = part
        try:
            return measure_frames(reader, frames, self._facts, self._options, known=known)
        except Refused:
            return None

    def _update(self, now: float) -> LiveUpdate:
        self._hear()
        if not self._sight.in_sight:
            state: State = "searching" if self._sight.reader is None and not self._had_figure else "lost"
            return self._blank(state, now, self._sight.message)
        lock = self._lock
        if lock is None:
            self._ask(now, _TRY_S, _TRY_LONGEST_S)
            return self._blank("searching", now, self._why or "Dots found; counting turns.")
        window = self._newest(max(self._since_s, now - (MOST_TURNS + 1.5) * 60 / lock.nominal_rpm))
        time = self._time_of(window)
        if time is None:
            return self._blank("settling", now, "The first turn is still under way.")
        amplitude, left = self._amplitude(window, lock)
        going = self._course.follow(amplitude, time, lock, now)
        if going in _ENDS:
            self._let_go(now, _ENDS[going])
            return self._blank("searching", now, self._why)
        if going == "fast":
            self._keep(until_s=now)
            self._fast_s, self._even_from_s = now, np.inf
            return self._blank("settling", now, "The speed changes fast; the figure is there one turn later.")
        since_fast = time.time_s > self._fast_s
        if not since_fast.all():
            amplitude, left, time = amplitude[since_fast], left[since_fast], time.only(np.flatnonzero(since_fast))
        if time.time_s.size < _FEWEST_FRAMES or time.duration_s < _LEAST_TURN * 60 / lock.nominal_rpm:
            return self._blank("settling", now, "The first turn is still under way.")
        near = self._course.mean_rate_hz(float(time.time_s[0]), lock)
        usual = min((spread for _, spread in self._spreads), default=None)
        figure = figure_of(amplitude, time, lock, near, usual_spread_percent=usual, left_dots=left)
        if figure is None:
            return self._blank("settling", now, "The first turn is still under way.")
        return self._figure_update(now, lock, figure, float(time.time_s[0]), lamp_hz(lock, time))

    def _figure_update(
        self, now: float, lock: Lock, figure: Figure, window_from_s: float, lamp: float | None
    ) -> LiveUpdate:
        if not self._confirmed and abs(figure.dot_rate_hz / lock.dot_rate_hz - 1) > _FAR_FROM_BEFORE:
            self._let_go(now, "Another speed than before is seen; it is being counted again.")
            return self._blank("searching", now, self._why)
        if figure.spread_percent is not None:
            self._spreads.append((now, figure.spread_percent))
        while self._spreads and self._spreads[0][0] < now - _SPREADS_S:
            self._spreads.popleft()
        even = figure.even_from_s
        reaches_back = even <= window_from_s + 0.5
        if not (reaches_back and self._even_from_s <= even):
            if even - self._even_from_s > UPDATE_S:
                self._keep(until_s=even)
            self._even_from_s = even
        if not self._confirmed or self._contradictions:
            self._ask(now, _TRY_S, _TRY_LONGEST_S)
        else:
            soon = lock.systematic_percent > _COARSE_PERCENT and lock.flash is not None
            self._ask(now, _CHECK_SOON_S if soon else _CHECK_S, _CHECK_LONGEST_S)
        if self._contradictions:
            return self._blank("searching", now, "Something else than before is seen; it is being counted again.")
        even_now = figure.turns >= _STEADY_TURNS and not figure.changing and self._confirmed
        self._calm = min(self._calm + 1, _CALM) if even_now else max(self._calm - 1, 0)
        self._steady = self._calm == _CALM or (self._steady and self._calm > 0)
        closest = systematic_percent(lock, now)
        band = max(self._options.band_percent, closest)
        self._instruction = instruction_for(figure.deviation_percent, band, before=self._instruction)
        creep = None
        if lamp is not None:
            # Every other flash may be missing.
            creep = 60 * (figure.dot_rate_hz - still_dots_hz(figure.dot_rate_hz, lamp / 2))
        self._had_figure = True
        fluctuation = lock.measurement.fluctuation
        gathered = (now - self._even_from_s) * figure.dot_rate_hz / lock.dots
        known = self._measured_from_s > self._even_from_s - UPDATE_S
        known &= all(note.code != "few-turns" for note in lock.measurement.notes)
        return LiveUpdate(
            time_s=now,
            state="steady" if self._steady else "settling",
            deviation_percent=figure.deviation_percent,
            uncertainty_percent=figure.uncertainty_percent,
            creep_dots_per_minute=creep,
            instruction=self._instruction,
            message=self._remark(lock, now),
            nominal_rpm=lock.nominal_rpm,
            dots=lock.dots,
            turns=figure.turns,
            turns_gathered=gathered,
            band_percent=band,
            closest_percent=closest,
            reference=lock.reference,
            steadiness_percent=fluctuation.weighted_peak_percent if known else None,
            steadiness_uncertainty_percent=fluctuation.weighted_peak_uncertainty_percent if known else None,
            picture=_picture(figure.noise_dots),
            frames=self.frames,
        )

    def _blank(self, state: State, time_s: float, message: str) -> LiveUpdate:
        lock = self._lock
        return LiveUpdate(
            time_s=time_s,
            state=state,
            message=message,
            nominal_rpm=None if lock is None else lock.nominal_rpm,
            dots=None if lock is None else lock.dots,
            band_percent=self._options.band_percent,
            frames=self.frames,
        )

    def _remark(self, lock: Lock, now: float) -> str:
        if not self._confirmed:
            return f"Taken to run at {lock.nominal_rpm:.4g} rpm as before; that is being checked."
        if not self._sure:
            return f"Taken for {lock.nominal_rpm:.4g} rpm; give --rpm to be sure."
        if any(note.code == "lines-coincide" for note in lock.measurement.notes):
            return f"Lamp and camera keep step: no closer than {lock.systematic_percent:.2g} %."
        if lock.mains_hz is not None and now - lock.lamp_seen_s > _OLD_S:
            closest = systematic_percent(lock, now)
            return f"The lamp was last measured {now - lock.lamp_seen_s:.0f} s ago: no closer than {closest:.2g} %."
        return ""

    def _interrupt(self, now: float) -> None:
        """Pictures are missing: nothing before hangs together with what comes."""
        self._stamps.clear()
        self._sight.break_off(now)
        self._begin_anew(now)
        if self._last_s is not None and now < self._last_s:
            # Times that run backwards: what was seen lies in the future now.
            self._seen.clear()
            self._updated_s = self._asked_s = -np.inf

    def _resized(self, frame: Frame) -> None:
        """The picture has another size: the rows have to be found anew."""
        self._keep()
        height, width = frame.luma.shape
        turned = (height > width) != (self._facts.height > self._facts.width)
        sweep = ("sideways" if height > width else "down") if turned else self._facts.sweep
        self._facts = replace(self._facts, width=width, height=height, sweep=sweep)
        self._sight = Sight(self._facts)
        self._seen.clear()
        self._interrupt(frame.time_s)
        self._let_go(frame.time_s, "")
        self._ring = None
        self._sight.message = "The picture has another size now; the dots are looked for again."

    def _new_reader(self) -> None:
        reader = self._sight.reader
        held = {one.time_s for one in reader.held} if reader is not None else set()
        earlier = [one for one in self._seen if one.time_s not in held]
        self._keep(until_s=self._sight.since_s)
        for _ in earlier:
            self._seen.popleft()
        lock = self._lock
        if lock is not None and reader is not None:
            row = reader.pattern.rows[self._sight.row]
            same = abs(row.pitch_px / lock.pitch_px - 1) < 0.3 and not reader.pattern.upright
            moved = replace(lock, row=self._sight.row, sweep_place=row.sweep_place, pitch_px=row.pitch_px)
            self._lock = moved if same else None

    def _begin_anew(self, time_s: float) -> None:
        self._keep(until_s=time_s)
        self._since_s, self._even_from_s = time_s, np.inf
        self._course.restart()
        self._confirmed, self._steady, self._calm = False, False, 0
        self._asked = None

    def _let_go(self, now: float, why: str) -> None:
        """Forget what was recognised: it may be something else now."""
        self._begin_anew(now)
        self._lock, self._why, self._refused, self._sure = None, why, None, False
        self._contradictions = 0
        self._spreads.clear()

    def _keep(self, until_s: float = np.inf) -> None:
        """Keep the even part that ends here, unless it is too short."""
        self._kept = self._even_part(until_s) or self._kept

    def _even_part(self, until_s: float = np.inf) -> tuple[PatternReader, list[FrameReading], Lock | None] | None:
        reader, lock = self._sight.reader, self._lock
        if reader is None or lock is None or not np.isfinite(self._even_from_s):
            return None
        part = [one for one in self._seen if self._even_from_s <= one.time_s < until_s]
        if len(part) < LEAST_FRAMES or part[-1].time_s - part[0].time_s < _FEWEST_TURNS_KEPT * 60 / lock.nominal_rpm:
            return None
        return reader, part, lock if self._sure else None

    def _newest(self, from_s: float) -> list[FrameReading]:
        return list(takewhile(lambda one: one.time_s >= from_s, reversed(self._seen)))[::-1]

    def _time_of(self, window: list[FrameReading]) -> TimeBase | None:
        """Times of the frames of a window, from the cadence over all stamps that hang together."""
        if len(window) < _FEWEST_FRAMES:
            return None
        stamps = np.array(self._stamps)
        base = times_of(stamps, self._facts)
        wanted = np.array([one.time_s for one in window])
        kept = np.flatnonzero(np.isin(stamps[base.used], wanted))
        inside = np.isin(wanted, stamps[base.used[kept]])
        window[:] = [one for one, there in zip(window, inside, strict=True) if there]
        if kept.size < _FEWEST_FRAMES:
            return None
        return base.only(kept)

    def _amplitude(self, window: list[FrameReading], lock: Lock) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
        """Amplitude of the row in the frames of a window, and the motion of the camera that may be left in it."""
        assert self._sight.reader is not None
        pattern = self._sight.reader.reading(window, turn_hz=lock.nominal_rpm / 60)
        amplitude, _ = combine_blocks(pattern.rows[lock.row].blocks)
        return amplitude.conj() if lock.conjugate else amplitude, left_dots(pattern, lock.row)

    def _ask(self, now: float, every_s: float, longest_s: float) -> None:
        """Have the newest even frames read in full, beside the frames."""
        reader = self._sight.reader
        if self._asked is not None or now - self._asked_s < every_s or reader is None:
            return
        even = self._since_s if self._lock is None or not np.isfinite(self._even_from_s) else self._even_from_s
        part = self._newest(max(even, now - longest_s))
        if len(part) < _ENOUGH_FRAMES:
            # A slow camera has to be watched for longer.
            part = self._newest(even)[-_ENOUGH_FRAMES:]
        if len(part) < LEAST_FRAMES or part[-1].time_s - part[0].time_s < LEAST_S:
            return
        self._asked_s = now
        future = self._executor.submit(recognise, reader, part, self._facts, self._options, self._ring_of(reader))
        self._asked = (future, reader, self._since_s, part[0].time_s)

    def _ring_of(self, reader: PatternReader) -> tuple[int, int] | None:
        """The row of the known ring, and its dots; None where none is known, or none looks like it."""
        if self._ring is None:
            return None
        pitch_px, dots = self._ring
        apart = [abs(row.pitch_px / pitch_px - 1) for row in reader.pattern.rows]
        return (int(np.argmin(apart)), dots) if min(apart) < _SAME_RING else None

    def _hear(self) -> None:
        """What the full reading says, when it is there and still about these frames."""
        if self._asked is None or not self._asked[0].done():
            return
        future, reader, since_s, from_s = self._asked
        self._asked = None
        found = future.result()
        if reader is not self._sight.reader or since_s != self._since_s:
            return
        if found.lock is None:
            if self._lock is None and found.refusal is not None:
                self._refused = found.refusal
                self._why = f"{found.refusal.message} {found.refusal.advice}"
            return
        if self._lock is None or self._lock.same_as(found.lock):
            if self._lock is None:
                self._since_s = from_s
            self._lock, self._why, self._refused, self._contradictions = found.lock, "", None, 0
            self._confirmed, self._measured_from_s = True, from_s
            self._sure |= "nominal_rpm" not in found.lock.measurement.setup.assumed
            if self._sure:
                self._ring = (found.lock.pitch_px, found.lock.dots)
            self._sight.row = found.lock.row
            return
        self._contradictions += 1
        if self._contradictions >= _CONTRADICTIONS:
            near = nearest_nominal_rpm(found.lock.measurement.speed.mean_rpm)
            self._contradictions = 0
            self._let_go(self._updated_s, f"Looks like {near:.4g} rpm now; being counted again.")


def _picture(noise_dots: float) -> str:
    """How well the dots can be followed, in words; by the noise of one frame in gaps from dot to dot."""
    for limit, word in ((0.004, "very good"), (0.012, "good"), (0.03, "fair")):
        if noise_dots < limit:
            return word
    return "poor"
