"""Numbers in words: rounded by their uncertainty, speeds as the trade writes them, periods by the turn."""

from __future__ import annotations

import math

from strobe.figures.results import Component

__all__ = [
    "MOST_DECIMALS",
    "MOST_RATE_DECIMALS",
    "at_most",
    "bound_words",
    "figure_words",
    "how_often",
    "peak_words",
    "period_words",
    "printable",
    "rounded",
    "rpm_words",
    "sway_gaps",
]

MOST_DECIMALS = 4
"""Of a percentage, 0.0001 is 1 ppm, finer than any camera's clock is known here."""
MOST_RATE_DECIMALS = 6
"""Of a flash rate in Hz, 0.000001 is 0.01 ppm at 100 Hz, finer than any clip tells."""
WHOLE_TURNS_TOLERANCE = 0.01
"""Turns by which an order may miss a whole number and be called by it: two decimals of a turn are shown."""
ROUGH_TURNS = 0.05
"""Uncertainty of an order above which it is said to be about so and with one decimal; our own choice."""
RPM_WORDS = {16 + 2 / 3: "16 2/3", 33 + 1 / 3: "33 1/3"}


def printable(text: str) -> str:
    """`text` with every control character replaced, so that a file name cannot steer the terminal."""
    return "".join(char if char.isprintable() else "?" for char in text)


def rounded(uncertainty: float, *, most_decimals: int = MOST_DECIMALS) -> int:
    """Decimals for one significant digit of `uncertainty`, two where it begins with 1 or 2; at most `most_decimals`."""
    if uncertainty <= 0:
        return most_decimals
    exponent = math.floor(math.log10(uncertainty))
    digits = 2 if uncertainty < 3 * 10.0**exponent else 1
    return min(max(digits - 1 - exponent, 0), most_decimals)


def at_most(value: float, decimals: int) -> str:
    """A bound with so many decimals, rounded up: what is said to be less than it must be."""
    # Less than a thousandth of the last decimal is what adding two floats leaves.
    return f"{math.ceil(value * 10**decimals - 1e-3) / 10**decimals:.{decimals}f}"


def bound_words(value: float, spread: float, *, most_decimals: int = MOST_DECIMALS) -> str:
    """The upper limit of a figure that can't be told from nothing, to two digits: the same wherever it is said."""
    bound = value + spread
    digits = 1 - math.floor(math.log10(bound)) if bound > 0 else most_decimals
    return at_most(bound, min(max(digits, 0), most_decimals))


def peak_words(value: float, spread: float, *, most_decimals: int = MOST_DECIMALS) -> str:
    """A swing to each side with its half-width (percent); its upper limit where it can't be told from nothing."""
    return figure_words(value, spread, sign="±", most_decimals=most_decimals)


def figure_words(value: float, spread: float, *, sign: str = "", most_decimals: int = MOST_DECIMALS) -> str:
    """A figure with its half-width (percent); `sign` is ``+`` for one that has a sign, else it may be a mere limit."""
    if sign != "+" and value <= spread:
        return f"below {sign}{bound_words(value, spread, most_decimals=most_decimals)} %"
    decimals = rounded(spread, most_decimals=most_decimals)
    shown = f"{value:+.{decimals}f}" if sign == "+" else f"{sign}{value:.{decimals}f}"
    return f"{shown} % (±{spread:.{decimals}f})"


def rpm_words(rpm: float) -> str:
    """A nominal speed as the trade writes it, for example ``33 1/3``."""
    for value, words in RPM_WORDS.items():
        if abs(rpm - value) < 1e-3:
            return words
    return f"{rpm:.6g}"


def how_often(component: Component, *, turn_rate_hz: float) -> str:
    """How often a component comes round, in words of the platter's turn; "about" where it is rough."""
    order = component.per_revolution
    spread = component.frequency_uncertainty_hz / turn_rate_hz
    rough = spread > ROUGH_TURNS
    whole = round(order)
    if whole >= 1 and abs(order - whole) <= max(WHOLE_TURNS_TOLERANCE, min(spread, ROUGH_TURNS)):
        words = {1: "once a turn", 2: "twice a turn"}.get(whole, f"{whole} times a turn")
    elif order < 1:
        words = f"once in {1 / order:.{1 if rough else 2}f} turns"
    else:
        words = f"{order:.{1 if rough else 2}f} times a turn"
    return f"about {words}" if rough else words


def period_words(period_s: float) -> str:
    """A period to three digits, whole seconds from 100 s."""
    return f"{period_s:.0f} s" if period_s >= 99.95 else f"{period_s:#.3g} s"


def sway_gaps(component: Component, *, dot_rate_hz: float) -> float:
    """How far the dots swing to each side of their even run, in gaps from one dot to the next.

    A relative speed error b·cos(2πft) of dots that pass at rate d moves them by b·d / (2πf) gaps.
    """
    return component.peak_percent / 100 * dot_rate_hz / (2 * math.pi * component.frequency_hz)
