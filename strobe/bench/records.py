"""What the log holds, as frozen dataclasses: a job, its entries in order, its readings, and states between repairs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

from strobe.errors import UsageError
from strobe.figures.rings import nearest_nominal_rpm
from strobe.measurement import Measurement

__all__ = [
    "AS_FOUND",
    "CAMERA_SIDES",
    "ENTRY_KINDS",
    "LONGEST_TEXT",
    "PITCHES",
    "PLATTERS",
    "STYLUS",
    "Conditions",
    "Entry",
    "Job",
    "JobSummary",
    "Reading",
    "State",
    "clean_text",
]

AS_FOUND = "as found"
LONGEST_TEXT = 20_000
"""Most characters of any one text."""

ENTRY_KINDS = ("repair", "remark", "machine", "reported", "closed", "reopened")
PLATTERS = ("bare", "mat", "record")
STYLUS = ("up", "down")
PITCHES = ("centre", "off-centre", "none")
CAMERA_SIDES = ("front", "left", "right", "back")
_CHOICES = {"platter": PLATTERS, "stylus": STYLUS, "pitch": PITCHES, "camera_side": CAMERA_SIDES}
_LONGEST_RUN_MIN = 100_000.0
"""Minutes that a machine may have run, ten weeks; more is a slip of the pen. Our own choice."""


@dataclass(frozen=True)
class Conditions:
    """How the machine stood and was filmed; ``None`` where it was not said.

    Attributes
    ----------
    running_min : float or None
        Minutes that it had run before the clip.
    platter : str or None
        What lay on it: one of `PLATTERS`.
    stylus : str or None
        One of `STYLUS`.
    pitch : str or None
        Whether the pitch control stood at its centre, of `PITCHES` (``none``: it has no such control).
    light : str or None
        The lamp, in a few words.
    camera_side : str or None
        Side of the machine that the camera stood at, of `CAMERA_SIDES`.
    """

    running_min: float | None = None
    platter: str | None = None
    stylus: str | None = None
    pitch: str | None = None
    light: str | None = None
    camera_side: str | None = None

    def __post_init__(self) -> None:
        if self.running_min is not None and not 0 <= self.running_min <= _LONGEST_RUN_MIN:
            raise UsageError(f"minutes running is {self.running_min:g}; it is 0 to {_LONGEST_RUN_MIN:.0f}")
        for name, choices in _CHOICES.items():
            value = getattr(self, name)
            if value is not None and value not in choices:
                raise UsageError(f"{name.replace('_', ' ')} is {value!r}; it is one of {', '.join(choices)}")
        if self.light is not None:
            object.__setattr__(self, "light", clean_text(self.light, what="light"))

    def filled_from(self, earlier: Conditions) -> Conditions:
        """These, and what was not said taken from `earlier`."""
        return Conditions(
            **{
                each.name: getattr(self, each.name)
                if getattr(self, each.name) is not None
                else getattr(earlier, each.name)
                for each in fields(self)
            }
        )

    @property
    def lasting(self) -> Conditions:
        """What holds for a later reading too until it is said otherwise: all but the minutes, which have grown."""
        return replace(self, running_min=None)

    @property
    def missing(self) -> tuple[str, ...]:
        """Names of those that were not said."""
        return tuple(each.name for each in fields(self) if getattr(self, each.name) is None)


@dataclass(frozen=True)
class Entry:
    """One line of a job's history; `kind` is one of `ENTRY_KINDS`, `made_at` UTC in ISO 8601."""

    id: int
    made_at: str
    kind: str
    text: str


@dataclass(frozen=True, eq=False)
class Reading:
    """One clip measured and filed.

    Attributes
    ----------
    number : int
        Counted from 1 in its job, in the order of filing.
    repair_id : int or None
        The `Entry` of the last repair before it; ``None`` as found.
    settings : mapping
        What the measurement was told, by option.
    replaced_by : int or None
        Number of the reading of the same clip that took its place; it is kept, but no longer counted.
    """

    number: int
    repair_id: int | None
    filed_at: str
    clip_sha256: str
    program_version: str
    settings: Mapping[str, Any]
    conditions: Conditions
    measurement: Measurement
    replaced_by: int | None = None


@dataclass(frozen=True, eq=False)
class State:
    """The machine between two repairs: `number` 0 is as found, n is after the n-th repair."""

    number: int
    label: str
    repair: Entry | None
    readings: tuple[Reading, ...]

    @property
    def speeds_rpm(self) -> tuple[float, ...]:
        """Nominal speeds that were read, rising; a usual speed by its own value, however it was written."""
        return tuple(sorted({_one_value(reading.measurement.setup.nominal_rpm) for reading in self.readings}))

    def at(self, nominal_rpm: float) -> tuple[Reading, ...]:
        """The readings at one nominal speed."""
        return tuple(
            reading for reading in self.readings if _are_one(reading.measurement.setup.nominal_rpm, nominal_rpm)
        )


_SAME_SPEED = 1e-4
"""Relative difference of two nominal speeds that are one: 33 1/3 written as 33.333 is off by a tenth of it."""


def _are_one(rpm: float, nominal_rpm: float) -> bool:
    return abs(rpm / nominal_rpm - 1) < _SAME_SPEED


def _one_value(rpm: float) -> float:
    nominal_rpm = nearest_nominal_rpm(rpm)
    return nominal_rpm if _are_one(rpm, nominal_rpm) else rpm


@dataclass(frozen=True, eq=False)
class Job:
    """A machine on the bench: everything that the log holds of it, in the order in which it was confirmed."""

    name: str
    opened_at: str
    entries: tuple[Entry, ...]
    readings: tuple[Reading, ...]

    @property
    def machine(self) -> str:
        """The latest machine description, TOML; empty where there is none."""
        return self._latest("machine")

    @property
    def reported(self) -> str:
        """What the owner reported, the latest wording."""
        return self._latest("reported")

    @property
    def closed_at(self) -> str | None:
        """When it was closed, ``None`` while it is open."""
        last = next((entry for entry in reversed(self.entries) if entry.kind in ("closed", "reopened")), None)
        return last.made_at if last is not None and last.kind == "closed" else None

    @property
    def states(self) -> tuple[State, ...]:
        """As found and after each repair, with or without readings; replaced readings are left out."""
        repairs = [entry for entry in self.entries if entry.kind == "repair"]
        counted = [reading for reading in self.readings if reading.replaced_by is None]
        places: list[Entry | None] = [None, *repairs]
        return tuple(
            State(
                number,
                AS_FOUND if repair is None else repair.text,
                repair,
                tuple(reading for reading in counted if reading.repair_id == (None if repair is None else repair.id)),
            )
            for number, repair in enumerate(places)
        )

    @property
    def last_conditions(self) -> Conditions:
        """Those of the newest clip, read once or again since; all unsaid where there is none."""
        filed = {reading.clip_sha256: reading.number for reading in reversed(self.readings)}
        counted = [reading for reading in self.readings if reading.replaced_by is None]
        newest = max(counted, key=lambda reading: filed[reading.clip_sha256], default=None)
        return Conditions() if newest is None else newest.conditions

    def _latest(self, kind: str) -> str:
        return next((entry.text for entry in reversed(self.entries) if entry.kind == kind), "")


@dataclass(frozen=True)
class JobSummary:
    """One line of the list of jobs."""

    name: str
    opened_at: str
    closed_at: str | None
    repairs: int
    readings: int
    last_at: str


def clean_text(text: str, *, what: str) -> str:
    """`text` without blanks around it and with lone surrogates replaced, so that it can be stored anywhere.

    Raises
    ------
    UsageError
        If nothing is left or it is longer than `LONGEST_TEXT`.
    """
    cleaned = text.encode("utf-8", "replace").decode("utf-8").strip()
    if not cleaned:
        raise UsageError(f"the {what} is empty; write a few words")
    if len(cleaned) > LONGEST_TEXT:
        raise UsageError(f"the {what} has {len(cleaned)} characters; {LONGEST_TEXT} are the most that the log keeps")
    return cleaned
