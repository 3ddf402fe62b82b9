"""What may be told and asked of a measurement: options that make no sense are refused before a clip is read."""

from __future__ import annotations

from dataclasses import dataclass

from strobe.errors import UsageError
from strobe.measuring.clock import CameraClock

__all__ = ["Told", "check_options", "check_view"]


@dataclass(frozen=True)
class Told:
    """What is known of a clip beforehand, as `strobe.measure` takes it; None where the clip shall decide.

    Attributes
    ----------
    nominal_rpm : float or None
    dots : int or None
    mains_hz, mains_default_hz : float or None
    lamp : str or float
        Its kind, or a flash rate in Hz that is known exactly.
    capture_rate_hz : float or None
    clock : CameraClock
    mirrored : bool
    found : frozenset of str
        Options whose values nobody gave: they were found in what was seen before, as where a clip is followed live.
    """

    clock: CameraClock
    nominal_rpm: float | None = None
    dots: int | None = None
    mains_hz: float | None = None
    lamp: str | float = "mains"
    capture_rate_hz: float | None = None
    mains_default_hz: float | None = None
    mirrored: bool = False
    found: frozenset[str] = frozenset()

    def advice(self, *options: str) -> str:
        """What may settle it, without a full stop: options that were given are to be checked, the others to be said.

        For example: Check --dots 90, or leave it out; say what is known with --rpm and --mains
        """
        unsaid = [option for option in options if self.given(option) is None]
        parts = [self.check(*options), f"say what is known with {_listed(unsaid)}" if unsaid else ""]
        words = "; ".join(part for part in parts if part)
        return words[:1].upper() + words[1:]

    def check(self, *options: str) -> str:
        """That those of some options that were given are to be checked, with their values; empty where none was."""
        given = [f"{option} {said}" for option in options if (said := self.given(option)) is not None]
        return f"Check {_listed(given)}, or leave {'it' if len(given) == 1 else 'them'} out" if given else ""

    def given(self, option: str) -> str | None:
        """The value that an option was given, as it is typed; None where it was left out."""
        if option in self.found:
            return None
        lamp = None if self.lamp == "mains" else self.lamp
        value = {
            "--rpm": None if self.nominal_rpm is None else f"{self.nominal_rpm:.4g}",
            "--dots": self.dots,
            "--mains": self.mains_hz,
            "--lamp": lamp,
            "--capture-rate": self.capture_rate_hz,
        }[option]
        return value if value is None or isinstance(value, str) else f"{value:g}"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def check_options(
    dots: int | None,
    mains: float | None,
    lamp: str | float,
    capture_rate_hz: float | None,
    mains_default: float | None,
) -> None:
    """Raise `UsageError` for an option of `measure` that makes no sense."""
    if dots is not None and not 4 <= dots <= 2000:
        raise UsageError(f"dots is {dots}; a ring has between 4 and 2000. Count them, or leave the option out.")
    if mains is not None and mains not in (50, 60):
        raise UsageError(f"mains is {mains:g} Hz; it is 50 or 60. Another flash rate is given with the lamp.")
    if mains_default is not None and mains_default not in (50, 60):
        raise UsageError(f"mains default is {mains_default:g} Hz; it is 50 or 60.")
    if isinstance(lamp, str):
        if lamp not in ("mains", "once", "steady"):
            raise UsageError(f"lamp is {lamp!r}; it is mains, once, steady, or a flash rate in Hz.")
    elif not 5 <= lamp <= 5000:
        raise UsageError(f"lamp is {lamp:g} Hz; a flash rate lies between 5 and 5000 Hz.")
    if capture_rate_hz is not None and not 5 <= capture_rate_hz <= 2000:
        raise UsageError(f"capture rate is {capture_rate_hz:g} Hz; it lies between 5 and 2000.")


def check_view(view: str | None, disc_mm: float | None, rim_mm: float | None) -> None:
    """Raise `UsageError` for a view, or a size of what is seen, that makes no sense."""
    if view not in (None, "rim", "disc"):
        raise UsageError(f"view is {view!r}; it is rim, for dots along a rim, or disc, for a disc from above.")
    if disc_mm is not None and not 30 <= disc_mm <= 1000:
        raise UsageError(f"disc diameter is {disc_mm:g} mm; it lies between 30 and 1000.")
    if rim_mm is not None and not 50 <= rim_mm <= 1000:
        raise UsageError(f"rim diameter is {rim_mm:g} mm; it lies between 50 and 1000. Measure across the platter.")
