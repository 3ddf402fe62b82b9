"""What can go wrong, as one small family of exceptions, and what was meant by a name that is not there.

Every error is a `StrobeError` and also the builtin that fits it, so that a caller may catch either.
"""

from __future__ import annotations

from collections.abc import Iterable

__all__ = [
    "ClipUnreadable",
    "LogUnavailable",
    "MissingLibrary",
    "Refused",
    "StrobeError",
    "UsageError",
    "did_you_mean",
    "nearest",
]


class StrobeError(Exception):
    """Base of every error that this package raises on purpose."""


class UsageError(StrobeError, ValueError):
    """An option or argument that makes no sense; the message says which, its value, and the rule."""


class ClipUnreadable(StrobeError, OSError):
    """The file or camera cannot be opened or decoded at all (exit status 4)."""


class LogUnavailable(StrobeError, OSError):
    """The bench log cannot be opened, read or written; what was confirmed before stands (exit status 4)."""


class MissingLibrary(StrobeError, ImportError):
    """A library, or a system library that it needs, is not installed; the message names what to install."""


class Refused(StrobeError):
    """The clip was read, but a figure from it could not be trusted (exit status 3).

    Attributes
    ----------
    code : str
        Short reason of the contract, for example ``no-contrast``.
    message : str
        What was seen.
    advice : str
        What to do about it, one or more sentences.
    """

    def __init__(self, code: str, message: str, advice: str) -> None:
        super().__init__(f"{code}: {message}")
        self.code = code
        self.message = message
        self.advice = advice


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known name that comes nearest to a mistyped one, whatever the case; None where none is near.

    Near is what `difflib.get_close_matches` takes for it, as typer does for commands and options.
    """
    from difflib import get_close_matches

    names = {name.casefold(): name for name in known}
    near = get_close_matches(word.casefold(), names, n=1)
    return names[near[0]] if near else None


def did_you_mean(name: str | None) -> str:
    """The question in the words that typer asks it in, with a blank before it; empty where no name is near."""
    return "" if name is None else f" Did you mean {name!r}?"
