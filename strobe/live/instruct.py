"""What to do, in words."""

from __future__ import annotations

__all__ = ["instruction_for"]

_A_LITTLE, _MUCH = 0.5, 2.5
"""Percent up to which a change is called little, and from which much."""
_LEAVES = 1.2
"""Where a ``stop`` is taken back, by the band; our own choice."""


def instruction_for(deviation_percent: float, band_percent: float, *, before: str = "") -> str:
    """``stop`` inside the band, else which way and how far: ``a little slower``, ``faster``, ``much faster``.

    After a ``stop`` the band is left a little later than it was entered, so that the words do not flicker on its edge.
    """
    if abs(deviation_percent) <= band_percent * (_LEAVES if before == "stop" else 1.0):
        return "stop"
    way = "slower" if deviation_percent > 0 else "faster"
    size = abs(deviation_percent)
    if size < max(_A_LITTLE, 2 * band_percent):
        return f"a little {way}"
    return f"much {way}" if size > _MUCH else way
