"""Limits from published standards or typed in, and the verdict with a guard band as wide as the uncertainty.

The rule is guarded acceptance and rejection in the manner of JCGM 106:2012 (clause 8.3, from memory): inside only where
the whole 95 % interval is inside, outside only where the whole interval is outside, undecided between. A figure that
stands just on a limit is then called inside, or outside, in at most 2.5 % of cases, if the interval holds all that it
may be off by. That of one reading does not hold how the machine repeats itself: it is right of the reading, but a
machine that stands just on a limit would be called inside, or outside, in 14 % of cases each where repetition adds 1.5
times the error of reading (simulated), and in as many where it borrows the spread of a state a third as restless. So a
state of a job is called inside or outside by its own readings only, two or more of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np

from strobe.bench.weighing import Spread
from strobe.errors import UsageError, did_you_mean, nearest
from strobe.figures.weighting import weighting_gain
from strobe.measurement import Measurement
from strobe.typed import number

__all__ = [
    "PRESETS",
    "QUANTITIES",
    "RULE",
    "USUAL",
    "Limit",
    "LimitCheck",
    "LimitSet",
    "Verdict",
    "figures_of",
    "judge",
    "parse_limits",
    "record_percent",
    "with_verdict",
]

QUANTITIES = ("speed", "weighted-peak", "weighted-rms", "unweighted-peak", "unweighted-rms")
USUAL = "usual"
RULE = "guard band as wide as the 95 % half-width (in the manner of JCGM 106)"

RECORD_OFF_CENTRE_MM = 0.2
"""Most that hole and groove may be off each other on a record (IEC 98:1958/64/87, DIN 45547)."""
MIDDLE_OF_RECORD_MM = 100.0
"""Radius half way between outermost and innermost groove of a 30 cm record, 146 and 60 mm (IEC 98:1958), rounded."""
_LEAST, _MOST = 1e-4, 50.0
"""Percent that a limit may be; anything else is a slip of the pen or of the unit. Our own choice."""

Result = Literal["pass", "fail", "undecided"]


@dataclass(frozen=True)
class Limit:
    """One limit in percent; `low_percent` is ``None`` for figures that have only an upper one."""

    quantity: str
    low_percent: float | None
    high_percent: float
    source: str
    from_memory: bool = False


@dataclass(frozen=True)
class LimitSet:
    """Limits that are held together, under a name for commands and a label for people."""

    name: str
    label: str
    limits: tuple[Limit, ...]


@dataclass(frozen=True)
class LimitCheck:
    """One figure held against its limit."""

    quantity: str
    value_percent: float
    uncertainty_percent: float
    low_percent: float | None
    high_percent: float
    result: Result
    source: str
    from_memory: bool


@dataclass(frozen=True)
class Verdict:
    """All checks: fail where any fails, pass where all pass, else undecided.

    Attributes
    ----------
    limits : str
        What was judged by, for people.
    result : str
        ``pass``, ``fail`` or ``undecided``; always undecided for a state whose own readings do not tell its `spread`.
    rule : str
    checks : tuple of LimitCheck
        Each figure by the half-width that it has.
    spread : str or None
        What tells how the machine repeats itself, for a state; ``None`` where a single reading was judged, of which
        alone the verdict is.
    """

    limits: str
    result: Result
    rule: str
    checks: tuple[LimitCheck, ...]
    spread: Spread | None = None

    @property
    def as_read(self) -> Result:
        """What the checks make together, whatever the spread rests on."""
        results = {check.result for check in self.checks}
        return "fail" if "fail" in results else "pass" if results == {"pass"} else "undecided"

    def to_dict(self) -> dict[str, Any]:
        """The object under ``verdict`` of ``strobe.measurement/1``."""
        return {**asdict(self), "checks": [asdict(check) for check in self.checks]}

    @classmethod
    def of(cls, held: Mapping[str, Any]) -> Verdict:
        """The verdict that `to_dict` gave."""
        return cls(**{**held, "checks": tuple(LimitCheck(**check) for check in held["checks"])})


_DIN = "DIN 45500, hi-fi record player"
_IEC = "IEC 60581-3, hi-fi record player, the same figures as DIN 45500"
PRESETS = {
    each.name: each
    for each in (
        LimitSet("din-45500", _DIN, (Limit("speed", -1.0, 1.5, _DIN), Limit("weighted-peak", None, 0.2, _DIN))),
        LimitSet(
            "iec-60581-3",
            "IEC 60581-3, hi-fi record player",
            (Limit("speed", -1.0, 1.5, _IEC, True), Limit("weighted-peak", None, 0.2, _IEC, True)),
        ),
        LimitSet(
            "iec-60098",
            "IEC 60098, speed of recording",
            (Limit("speed", -0.5, 0.5, "IEC 60098:2020 clause 5.6, made for cutting records"),),
        ),
        LimitSet(
            "nab-1964",
            "NAB 1964, broadcast turntable",
            (Limit("speed", -0.3, 0.3, "NAB 1964 disc standard, broadcast turntable", True),),
        ),
    )
}
"""By name. The flutter limits of broadcast turntables are left out: no source for them could be read."""


def parse_limits(words: Sequence[str], *, usual: Mapping[str, float] | None = None) -> LimitSet:
    """Limits as a person writes them.

    Parameters
    ----------
    words : sequence of str
        Each a name of `PRESETS`, ``usual``, or ``QUANTITY=PERCENT`` with one of `QUANTITIES` (for the speed
        ``speed=0.3`` or ``speed=-1/+1.5``), the maker's own figure.
    usual : mapping of str to float, optional
        What ``usual`` stands for, by quantity.

    Raises
    ------
    UsageError
        If a word is none of these, or two of them limit the same figure.
    """
    if not words:
        raise UsageError("name at least one limit")
    sets = [_parse_word(word, usual or {}) for word in words]
    limits = tuple(limit for each in sets for limit in each.limits)
    seen: set[str] = set()
    for limit in limits:
        if limit.quantity in seen:
            raise UsageError(f"--limit: {limit.quantity} is limited twice; give one limit for each figure")
        seen.add(limit.quantity)
    labels = list(dict.fromkeys(each.label for each in sets))
    return LimitSet(" ".join(words), " and ".join(labels), limits)


def judge(figures: Mapping[str, tuple[float, float]], limits: LimitSet, *, spread: Spread | None = None) -> Verdict:
    """Hold figures, each a value and its 95 % half-width in percent, against limits.

    Parameters
    ----------
    figures, limits
    spread : str, optional
        What the repeatability in the half-widths rests on, where a state of a job is judged and not one reading.

    Raises
    ------
    KeyError
        If a limited figure is not among them.
    """
    checks = []
    for limit in limits.limits:
        value, width = figures[limit.quantity]
        low = -math.inf if limit.low_percent is None else limit.low_percent
        result: Result = "undecided"
        if low + width <= value <= limit.high_percent - width:
            result = "pass"
        elif value - width > limit.high_percent or value + width < low:
            result = "fail"
        checks.append(
            LimitCheck(
                *(limit.quantity, value, width, limit.low_percent, limit.high_percent),
                *(result, limit.source, limit.from_memory),
            )
        )
    verdict = Verdict(limits.label, "undecided", RULE, tuple(checks), spread)
    return verdict if spread in ("borrowed", "unknown") else replace(verdict, result=verdict.as_read)


def figures_of(measurement: Measurement) -> dict[str, tuple[float, float]]:
    """The figures of one reading by the names of `QUANTITIES`, each with its half-width."""
    found = {"speed": (measurement.speed.deviation_percent, measurement.speed.uncertainty_percent)}
    for quantity in QUANTITIES[1:]:
        name = quantity.replace("-", "_")
        found[quantity] = (
            getattr(measurement.fluctuation, f"{name}_percent"),
            getattr(measurement.fluctuation, f"{name}_uncertainty_percent"),
        )
    return found


def with_verdict(measurement: Measurement, limits: LimitSet) -> Measurement:
    """The measurement with its verdict filled in."""
    return replace(measurement, verdict=judge(figures_of(measurement), limits).to_dict())


def record_percent(nominal_rpm: float) -> float:
    """What an off-centre hole adds once a turn, as a weighted peak in percent.

    The hole 0.2 mm off the groove, which the standards allow, heard in the middle of a 30 cm record: peak ``e / r``.
    """
    gain = float(weighting_gain(np.array([nominal_rpm / 60]))[0])
    return 100 * gain * RECORD_OFF_CENTRE_MM / MIDDLE_OF_RECORD_MM


def _parse_word(word: str, usual: Mapping[str, float]) -> LimitSet:
    if word.lower() in PRESETS:
        return PRESETS[word.lower()]
    if word.lower() == USUAL:
        if not usual:
            raise UsageError(
                f"--limit: no {USUAL} limits are kept yet; keep them: strobe config set limits.speed_percent 0.3"
            )
        label = "the usual limits of this bench"
        return LimitSet(USUAL, label, tuple(_typed(name, -value, value, label) for name, value in usual.items()))
    quantity, equals, text = word.partition("=")
    if not equals or quantity not in QUANTITIES:
        named = nearest(quantity, QUANTITIES if equals else (*PRESETS, USUAL))
        raise UsageError(
            f"--limit: {word!r} is none of {', '.join(PRESETS)}, {USUAL}, nor QUANTITY=PERCENT with one of "
            f"{', '.join(QUANTITIES)}{f'.{meant}' if (meant := did_you_mean(named)) else ''}"
        )
    low_text, slash, high_text = text.partition("/")
    high = _percent(word, high_text if slash else text)
    low = _percent(word, low_text) if slash else -high
    if low >= high or (slash and quantity != "speed") or (not slash and high <= 0):
        raise UsageError(
            f"--limit: {word!r} is no range of percent; write speed=0.3, speed=-1/+1.5 or weighted-peak=0.2"
        )
    return LimitSet(word, word, (_typed(quantity, low, high, "given by hand"),))


def _typed(quantity: str, low: float, high: float, source: str) -> Limit:
    return Limit(quantity, low if quantity == "speed" else None, high, source)


def _percent(word: str, text: str) -> float:
    try:
        value = number(text.removesuffix("%"))
    except UsageError as error:
        raise UsageError(f"--limit: {word!r}: {error}") from None
    if not (_LEAST <= abs(value) <= _MOST or value == 0):
        raise UsageError(f"--limit: {word!r}: {text!r} is no percentage from {_LEAST:g} to {_MOST:g}")
    return value
