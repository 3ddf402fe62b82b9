"""The tone that tells the reading to somebody whose eyes are on the screw.

It speaks as a record does: high means fast, low means slow. Short notes that come the quicker the farther it is off;
inside the band one unbroken note; no note at all as long as there is no figure, but a faint tick, so that silence is
never taken for an answer.
"""

from __future__ import annotations

import wave
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from strobe.errors import MissingLibrary
from strobe.files import whole_file
from strobe.live.records import LiveUpdate

__all__ = ["SAMPLES_HZ", "Sound", "SoundCard", "ToneFile", "ToneMaker", "sound_for"]

SAMPLES_HZ = 22050
STOP_HZ = 523.0
"""The unbroken note; the others lie above and below it."""
_NEAR_SEMITONES, _FAR_SEMITONES = 4.0, 14.0
"""How far the notes lie from the unbroken one, at the edge of the band and at `_FAR_PERCENT`; our own choice."""
_SLOWEST_HZ, _FASTEST_HZ = 1.5, 7.0
"""Notes a second at the same two places, slow enough to be heard one by one; our own choice."""
_FAR_PERCENT = 4.0
"""Speed error (percent) from which the sound changes no more; our own choice."""
_TICK_HZ, _TICKS_HZ, _TICK_S, _TICK_LEVEL = 180.0, 0.5, 0.03, 0.3
"""The tick while there is no figure: its note, ticks a second, its length, and its level as a share of a note's."""
_LEVEL, _EDGE_S, _NOTE_SHARE = 0.35, 0.006, 0.55
"""Level of a note (1 is full scale), time in which the level may go from 0 to 1, so that nothing clicks, and the share
of its time that a note sounds; our own choice."""
_FRESH_S = 1.0
"""Seconds for which one update is sounded on; then nothing is known any more."""


@dataclass(frozen=True)
class Sound:
    """What is to be heard: a note, how many a second (0 for one unbroken), how loud (0 to 1), and how long each."""

    note_hz: float
    notes_per_s: float
    level: float
    note_s: float


SILENT = Sound(_TICK_HZ, _TICKS_HZ, _TICK_LEVEL * _LEVEL, _TICK_S)


def sound_for(update: LiveUpdate) -> Sound:
    """The sound of an update: unbroken at ``stop``, else higher for fast and lower for slow, quicker for farther."""
    deviation = update.deviation_percent
    if deviation is None:
        return SILENT
    if update.instruction == "stop":
        return Sound(STOP_HZ, 0.0, _LEVEL, np.inf)
    off, band = abs(deviation), max(update.band_percent, 1e-3)
    far = float(np.clip(np.log(max(off, band) / band) / np.log(max(_FAR_PERCENT / band, 1.5)), 0, 1))
    semitones = _NEAR_SEMITONES + far * (_FAR_SEMITONES - _NEAR_SEMITONES)
    rate = _SLOWEST_HZ * (_FASTEST_HZ / _SLOWEST_HZ) ** far
    return Sound(STOP_HZ * 2 ** (np.copysign(semitones, deviation) / 12), rate, _LEVEL, _NOTE_SHARE / rate)


class ToneMaker:
    """Makes the samples, without clicks where the sound changes."""

    def __init__(self) -> None:
        self._sound = SILENT
        self._left = 0
        self._cycle = self._beat = 0.0
        self._loud = 0.0

    def hear(self, update: LiveUpdate) -> None:
        """Take the next update."""
        self._sound, self._left = sound_for(update), round(_FRESH_S * SAMPLES_HZ)

    def samples(self, count: int) -> NDArray[np.float32]:
        """The next `count` samples, -1 to 1."""
        known = min(count, self._left)
        self._left -= known
        parts = [self._made(self._sound, known), self._made(SILENT, count - known)]
        return np.concatenate(parts).astype(np.float32)

    def _made(self, sound: Sound, count: int) -> NDArray[np.float64]:
        if not count:
            return np.zeros(0)
        steps = np.arange(1, count + 1) / SAMPLES_HZ
        cycle = self._cycle + sound.note_hz * steps
        beat = self._beat + sound.notes_per_s * steps
        sounding = np.mod(beat, 1.0) < sound.note_s * sound.notes_per_s if sound.notes_per_s else np.ones(count, bool)
        rise = 1 / (_EDGE_S * SAMPLES_HZ)
        loud = _slewed(self._loud, np.where(sounding, sound.level, 0.0), rise)
        self._cycle, self._beat, self._loud = float(cycle[-1] % 1), float(beat[-1] % 1), float(loud[-1])
        return np.asarray(loud * np.sin(2 * np.pi * cycle))


def _slewed(start: float, wanted: NDArray[np.float64], rise: float) -> NDArray[np.float64]:
    """`wanted` (count,), from `start` on, moving by no more than `rise` a sample."""
    made = np.empty_like(wanted)
    edges = np.flatnonzero(np.diff(wanted)) + 1
    now = start
    for first, last in zip([0, *edges], [*edges, wanted.size], strict=True):
        way = wanted[first] - now
        made[first:last] = now + np.sign(way) * np.minimum(rise * np.arange(1, last - first + 1), abs(way))
        now = float(made[last - 1])
    return made


class ToneFile:
    """Writes the tone of a run to a WAV file; it is as long as the run, and there when the run has ended."""

    def __init__(self, path: Path) -> None:
        self._open = ExitStack()
        part = self._open.enter_context(whole_file(path))
        raw = self._open.enter_context(part.open("wb"))
        self._file = self._open.enter_context(wave.open(raw, "wb"))  # noqa: SIM115  # the stack closes both
        self._file.setnchannels(1)
        self._file.setsampwidth(2)
        self._file.setframerate(SAMPLES_HZ)
        self._maker, self._written = ToneMaker(), 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.__exit__(kind, error, trace)

    def hear(self, update: LiveUpdate) -> None:
        """Write what was to be heard up to this update, and take it."""
        count = max(0, round(update.time_s * SAMPLES_HZ) - self._written)
        self._file.writeframes((32767 * self._maker.samples(count)).astype("<i2").tobytes())
        self._written += count
        self._maker.hear(update)


class SoundCard:
    """Plays the tone.

    Raises
    ------
    MissingLibrary
        The library for sound is not installed, or there is no sound card.
    """

    def __init__(self, library: Any = None) -> None:
        sound = library if library is not None else _library()
        self._maker = ToneMaker()
        try:
            self._stream = sound.OutputStream(
                samplerate=SAMPLES_HZ, channels=1, dtype="float32", callback=self._fill(self._maker)
            )
            self._stream.start()
        except sound.PortAudioError as error:
            raise MissingLibrary(
                f"no sound card can be used ({error}). Plug one in, or write the tone to a file with --tone-file."
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.stop()
        self._stream.close()

    def hear(self, update: LiveUpdate) -> None:
        """Sound this update from now on."""
        self._maker.hear(update)

    @staticmethod
    def _fill(maker: ToneMaker) -> Callable[..., None]:
        def fill(out: Any, count: int, *_: Any) -> None:
            out[:, 0] = maker.samples(count)

        return fill


def _library() -> Any:
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        raise MissingLibrary(
            f"the tone needs the library sounddevice, which does not load ({error}). Install it with "
            "pip install 'strobe[tone]' (on Debian or Ubuntu also: apt install libportaudio2), or write the tone to a "
            "file with --tone-file."
        ) from error
    return sounddevice
