"""How waves that are taken off a line stand to the brightness: what a lamp makes, and what may be a wobble in them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strobe.phase.waves import Wave

__all__ = ["WOBBLE_HARMONICS", "beyond_the_lamp", "hidden_waves", "swings_of", "vote_of_swing"]

WOBBLE_HARMONICS = 2
"""Of the lamp, that are strong enough for a wobble beside them, or a wave of the pattern's, to go with them unseen."""
_BESIDE = 2
"""Harmonics on either side that say how strong one may be (by choice)."""
_ALIKE = 1e-2
"""Waves whose sum or difference is this small, by the largest, share one size."""
_UNCLEAR_SINE, _CLEAR_SINE, _LEAST_SLOW_MDOT = 0.5, 0.85, 4.0
"""A swing of the lamp stands a quarter cycle off the brightness; a slow wobble taken for one does not."""


def hidden_waves(
    sizes: Sequence[tuple[Wave, complex]], flicker: complex | None
) -> tuple[tuple[float, float, float], ...]:
    """Of each wave: frequency, the amplitude that stands as the brightness does, and its share.

    Light that falls as it rises makes the phase swing with the sines of the brightness's angle and its multiples.
    Where several harmonics fold onto one frequency their sum stands anyhow, and says nothing; nor is anything said
    where it is not seen how the brightness stands: all of the amplitude then, and no share.
    """
    found = []
    for wave, swing in sizes:
        if wave.beats or flicker is None or flicker == 0:
            found.append((wave.apparent_hz, abs(swing), 0.0))
        else:
            share = abs(float(np.cos(np.angle(swing) - wave.harmonic * np.angle(flicker))))
            found.append((wave.apparent_hz, share * abs(swing), share))
    return tuple(found)


def beyond_the_lamp(sizes: Sequence[tuple[Wave, complex]]) -> tuple[tuple[float, float, float], ...]:
    """The same of high harmonics, whose size above what a step in the light makes is no lamp's.

    Harmonics of a step fall as one over their order, and those of anything smoother faster; how large the step is say
    the two next on either side, since of short flashes one may be next to nothing where its neighbours are not.
    """
    found = []
    steps = [abs(swing) * wave.harmonic for wave, swing in sizes]
    for k, (wave, swing) in enumerate(sizes):
        step = max([*steps[max(k - _BESIDE, 0) : k], *steps[k + 1 : k + 1 + _BESIDE]], default=0.0)
        beyond = abs(swing) - step / wave.harmonic
        if step > 0 and wave.harmonic > WOBBLE_HARMONICS and beyond > 0:
            found.append((wave.apparent_hz, beyond, 1.0))
    return tuple(found)


def swings_of(course: NDArray[np.float64], waves: Sequence[Wave]) -> list[complex]:
    """Complex amplitudes of waves in a course, fitted together, since those close to each other look alike."""
    if not waves:
        return []
    turns = np.exp(2j * np.pi * np.stack([wave.cycles for wave in waves], axis=1))
    basis = np.concatenate([turns.real, turns.imag], axis=1)
    solution = np.linalg.lstsq(basis, course, rcond=_ALIKE)[0]
    return [complex(real, -imaginary) for real, imaginary in solution.reshape(2, -1).T]


def vote_of_swing(swing: complex, flicker: complex, least: float, *, slow: bool) -> float:
    """+1 where the swing lags the brightness as behind a shutter, -1 where it leads as under a strobe, 0 unclear.

    On the camera-timed line the lamp's line lies one flash rate below, so the swing is ``-sin`` where the brightness
    is ``cos``; on the lamp-timed line the camera's lies one above, ``+sin``. Brightness is taken from the background,
    since bright dots saturate.
    """
    if abs(swing) * 1000 < max(_LEAST_SLOW_MDOT if slow else 1.0, 3 * least / 10) or abs(flicker) < 1e-4:
        return 0.0
    sine = float((swing * np.conj(flicker)).imag / (abs(swing) * abs(flicker)))
    if slow:
        return float(np.sign(sine) * np.clip((abs(sine) - _UNCLEAR_SINE) / (_CLEAR_SINE - _UNCLEAR_SINE), 0, 1))
    return float(np.clip(sine * 1.5, -1, 1)) if abs(sine) > 0.4 else 0.0
