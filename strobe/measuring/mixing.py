"""What a camera swallows that mixes each picture with the ones before it, as noise reduction does in dim light.

A picture that holds a share of the one before is a low-pass of one pole over the pictures, and so is the complex
amplitude of the dots: the lines that a wobble puts beside the dots' own rate are weakened or, where that rate is high,
strengthened against it. How much is mixed the clip does not tell, since cameras mix less where more has changed.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern import CameraCourse, Impression

__all__ = ["ROOM", "Mixing", "mixing_of"]

_MOST_SHARE = 0.6
"""Share of the picture before that is thought possible in the noisiest pictures (by trial: rendered dim clips mix 0.2
to 0.7 of what is still, less of what moves)."""
_GRAINY = (0.011, 0.013)
"""Noise of a pixel over the bright parts: up to where no camera has reason to mix (well lit clips show 0.002 to 0.010),
and from where one may (clips in dim light 0.013 to 0.024)."""
_GRAIN_A_PIXEL = 0.006
"""What scenery adds to that for each pixel by which it moves, root mean square (0.004 was seen in a hand, by trial)."""
ROOM = 1.15
"""By how much the ends lie inside: no mixing at all, at the one, is the likeliest, and other errors add to it."""
_SHARES = 7
"""Shares that are tried, from none to the most: the loss is smooth between them."""
_COLOURED_NOISE = 2.0
"""By how much noise that lasts from picture to picture may weigh more in the band than noise that is new in each."""


@dataclass(frozen=True)
class Mixing:
    """Most that may be mixed.

    Attributes
    ----------
    share : float
        Of the picture before in each; 0 where nothing is mixed.
    advance_cycles : float
        How far the dots seem to go on from picture to picture, as the camera sees it.
    """

    share: float
    advance_cycles: float

    def loss(self, cycles_per_picture: float) -> tuple[float, float]:
        """By what to multiply a wobble of a frequency, and the 95 % share of it that stays unsure.

        The truth lies where some share, from none to all of it, would put it.
        """
        if self.share == 0:
            return 1.0, 0.0
        share = np.linspace(0.0, self.share, _SHARES)
        ahead, own, behind = (
            (1 - share) / (1 - share * np.exp(-2j * np.pi * (self.advance_cycles + side * cycles_per_picture)))
            for side in (1, 0, -1)
        )
        true = 1 / np.abs(0.5 * (ahead / own + np.conj(behind / own)))
        low, high = float(true.min()), float(true.max())
        return 0.5 * (low + high), ROOM * (high - low) / (high + low)

    @property
    def noise_factor(self) -> float:
        """By what to multiply half-widths that rest on noise which is new in each picture."""
        return 1 + (_COLOURED_NOISE - 1) * self.share / _MOST_SHARE


def mixing_of(look: Impression, amplitude: NDArray[np.complex128], camera: CameraCourse) -> Mixing:
    """What may be mixed in a clip.

    Parameters
    ----------
    look : Impression
        The look of its first frames.
    amplitude : array of complex (frames,)
        Amplitude of the row that is read.
    camera : CameraCourse
        How the camera moved, which makes still parts look noisy that are not.
    """
    shaken_px = float(np.hypot(*camera.shift_px.std(axis=0))) if camera.moved else 0.0
    grain = float(np.sqrt(max(look.grain_share**2 - (_GRAIN_A_PIXEL * shaken_px) ** 2, 0.0)))
    share = _MOST_SHARE * float(np.interp(grain, _GRAINY, (0.0, 1.0)))
    advance = float(np.angle(np.sum(amplitude[1:] * np.conj(amplitude[:-1])))) / (2 * np.pi)
    return Mixing(share, advance)
