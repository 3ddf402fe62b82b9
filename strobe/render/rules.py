"""What a scene may be made of: the checks that every part of it runs on itself."""

from __future__ import annotations

import math
from collections.abc import Iterable

from strobe.errors import UsageError

__all__ = ["demand", "finite", "not_negative", "positive"]


def demand(holds: bool, what: str, value: object, rule: str) -> None:
    """Raise `UsageError` with the name, the value and the rule unless it holds."""
    if not holds:
        raise UsageError(f"{what} = {value!r}: {rule}")


def finite(owner: object, names: Iterable[str]) -> None:
    """Demand that these fields are finite."""
    for name in names:
        value = getattr(owner, name)
        demand(math.isfinite(value), name, value, "must be a finite number")


def positive(owner: object, names: Iterable[str]) -> None:
    """Demand that these fields are finite and above zero."""
    for name in names:
        value = getattr(owner, name)
        demand(math.isfinite(value) and value > 0, name, value, "must be above zero and finite")


def not_negative(owner: object, names: Iterable[str]) -> None:
    """Demand that these fields are finite and not below zero."""
    for name in names:
        value = getattr(owner, name)
        demand(math.isfinite(value) and value >= 0, name, value, "must not be negative")
