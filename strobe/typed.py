"""Numbers as people type them, with a point or a comma before the decimals; one rule for all of them.

A decimal comma is taken where one number is asked for and only one reading makes sense: ``20,8`` is 20.8. What could
as well be thousands, or two numbers, is refused; the message asks for a point.
"""

from __future__ import annotations

import re

from strobe.errors import UsageError

__all__ = ["number", "several"]

_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+(e[-+]?\d+)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[-+]?[1-9]\d{0,2}(,\d{3})+(\.\d*)?")
_TOUCHING = re.compile(r"\d,\d")


def number(text: str | float) -> float:
    """The number that a person typed.

    Raises
    ------
    UsageError
        If it is none, or may be two different ones.
    """
    plain = str(text).strip()
    if _THOUSANDS.fullmatch(plain):
        raise UsageError(f"{plain!r} may mean thousands or decimals; use a point for decimals and no comma")
    if _DECIMAL_COMMA.fullmatch(plain):
        plain = plain.replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        point = "; use a point for decimals" if "," in plain else ""
        raise UsageError(f"{plain!r} is not a number{point}") from None


def several(text: str) -> list[str]:
    """The items of a list, parted by blanks, or by a comma with a blank after it.

    Raises
    ------
    UsageError
        If a comma stands between two digits, where it may part numbers or their decimals.
    """
    if _TOUCHING.search(text):
        raise UsageError(f"{text!r} may be one number or two; part them by blanks, and use a point for decimals")
    return text.replace(",", " ").split()
