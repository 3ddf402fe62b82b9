"""What can go wrong, as one small family of exceptions.

Every error is a `StrobeError` and also the builtin that fits it, so that a caller may catch either.
"""

from __future__ import annotations

__all__ = ["ClipUnreadable", "LogUnavailable", "MissingLibrary", "Refused", "StrobeError", "UsageError"]


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
