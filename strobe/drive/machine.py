"""What is known of a record player's drive, as a TOML file and as a frozen `Machine`. Anything may be unknown.

Diameters are without the belt; lengths in mm. A file for a belt drive with everything in it:

    name = "bench deck (invented)"
    drive = "belt"              # belt, idler or direct
    speeds_rpm = [33, 45]
    platter_mm = 300            # outside
    driven_mm = 160             # sub-platter or rim that belt or idler runs on
    platter_mass_kg = 1.4
    pulley_mm = { 33 = 20.8, 45 = 28.3 }
    belt_thickness_mm = 0.6
    belt_width_mm = 5
    belt_length_mm = 567.5      # or spindle_distance_mm
    motor = "synchronous"       # synchronous or induction (on the mains), servo
    poles = 24                  # or motor_rpm
    mains_hz = 50
    dots = [180, 216]
    sprung = false              # platter on springs
    bounce_hz = 3.5             # counted: up-and-downs a second after a push
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from strobe.drive.belts import belt_length_mm, spindle_distance_mm
from strobe.errors import UsageError, did_you_mean
from strobe.figures.rings import parse_rpm
from strobe.files import CLIP_SUFFIXES, nearest_file, read_text, toml_table

__all__ = ["DRIVES", "MOTORS", "Machine", "machine_toml", "parse_machine", "read_machine", "speed_name"]

DRIVES = ("belt", "idler", "direct")
MOTORS = ("synchronous", "induction", "servo")
DEFAULT_BELT_MM = 0.6
"""Thickness of a usual rubber belt; common practice."""
_DEFAULT_SPEEDS = (100 / 3, 45.0)
_SPEED_NAMES = ("16", "33", "78")

_SPINDLE_RANGE = (40.0, 1000.0)
"""Sensible range of the distance of the axes in mm, given or by the belt; our own choice."""
# Sensible range of each number; a value outside is a slip of the pen or of the unit.
_RANGES = {
    "platter_mm": (100, 500),
    "driven_mm": (50, 450),
    "platter_mass_kg": (0.1, 30),
    "belt_thickness_mm": (0.1, 4),
    "belt_width_mm": (0.3, 20),
    "belt_length_mm": (100, 3000),
    "spindle_distance_mm": _SPINDLE_RANGE,
    "idler_mm": (10, 150),
    "motor_rpm": (10, 5000),
    "mains_hz": (40, 70),
    "bounce_hz": (0.5, 20),
    "poles": (2, 200),
    "slots": (2, 200),
}
_WHOLE = ("poles", "slots")
_PULLEY_RANGE = (2, 120)
"""The same for each step of the pulley, in mm."""
_ONLY_FOR = {
    "belt_thickness_mm": ("belt",),
    "belt_width_mm": ("belt",),
    "belt_length_mm": ("belt",),
    "spindle_distance_mm": ("belt",),
    "idler_mm": ("idler",),
    "driven_mm": ("belt", "idler"),
    "pulley_mm": ("belt", "idler"),
    "slots": ("direct",),
}


@dataclass(frozen=True)
class Machine:
    """A drive as far as it is known; ``None`` and empty tuples mean not known.

    `pulley_mm` pairs a speed in rpm with the diameter of the pulley's step for it; where the motor's own speed is
    changed, one diameter serves every speed. `driven_mm` is what belt or idler runs on: sub-platter or rim.
    """

    drive: str
    name: str = ""
    speeds_rpm: tuple[float, ...] = _DEFAULT_SPEEDS
    platter_mm: float | None = None
    driven_mm: float | None = None
    platter_mass_kg: float | None = None
    pulley_mm: tuple[tuple[float, float], ...] = ()
    belt_thickness_mm: float | None = None
    belt_width_mm: float | None = None
    belt_length_mm: float | None = None
    spindle_distance_mm: float | None = None
    idler_mm: float | None = None
    motor: str | None = None
    poles: int | None = None
    slots: int | None = None
    motor_rpm: float | None = None
    mains_hz: float | None = None
    dots: tuple[int, ...] = ()
    sprung: bool | None = None
    bounce_hz: float | None = None

    @property
    def rim_driven(self) -> bool:
        """Whether belt or idler runs on the platter's own rim."""
        return self.drive != "direct" and self.driven_mm is not None and self.driven_mm == self.platter_mm

    @property
    def belt_mm(self) -> float:
        """Thickness that the belt adds to both diameters: as given, 0.6 mm for a belt not described, else 0."""
        if self.drive != "belt":
            return 0.0
        return DEFAULT_BELT_MM if self.belt_thickness_mm is None else self.belt_thickness_mm

    @property
    def driven_effective_mm(self) -> float | None:
        """Effective diameter of sub-platter or rim."""
        return None if self.driven_mm is None else self.driven_mm + self.belt_mm

    def pulley_effective_mm(self, rpm: float) -> float | None:
        """Effective diameter of the pulley at a speed, as described or worked out from the motor's speed."""
        given = dict(self.pulley_mm)
        for speed, diameter in given.items():
            if math.isclose(speed, rpm, rel_tol=0.03):
                return diameter + self.belt_mm
        if len(set(given.values())) == 1 and self.motor not in ("synchronous", "induction"):
            return next(iter(given.values())) + self.belt_mm
        shaft = self.mains_motor_rpm
        if shaft is not None and self.driven_effective_mm is not None:
            return self.driven_effective_mm * rpm / shaft
        return None

    @property
    def mains_motor_rpm(self) -> float | None:
        """Speed of a motor on the mains: as given, or ``120 f / P`` for a synchronous one."""
        if self.motor == "servo":
            return None
        if self.motor_rpm is not None:
            return self.motor_rpm
        if self.motor == "synchronous" and self.poles and self.mains_hz:
            return 120 * self.mains_hz / self.poles
        return None

    def belt_path_mm(self, rpm: float) -> float | None:
        """Length of the belt in its middle: as given, or by the spindle distance at that speed's pulley."""
        if self.belt_length_mm is not None:
            return self.belt_length_mm
        pulley = self.pulley_effective_mm(rpm)
        if self.spindle_distance_mm is None or pulley is None or self.driven_effective_mm is None:
            return None
        return belt_length_mm(self.driven_effective_mm, pulley, self.spindle_distance_mm)

    @property
    def spindle_path_mm(self) -> float | None:
        """Distance of the axes: as given, or from the belt's length at the first speed."""
        if self.spindle_distance_mm is not None:
            return self.spindle_distance_mm
        rpm = self.pulley_mm[0][0] if self.pulley_mm else self.speeds_rpm[0]
        pulley = self.pulley_effective_mm(rpm)
        if self.belt_length_mm is None or pulley is None or self.driven_effective_mm is None:
            return None
        return spindle_distance_mm(self.driven_effective_mm, pulley, self.belt_length_mm)

    def predicted_rpm(self, rpm: float) -> float | None:
        """Speed that diameters and a mains motor give together, without creep; None unless all are given."""
        shaft = self.mains_motor_rpm
        given = any(math.isclose(speed, rpm, rel_tol=0.03) for speed, _ in self.pulley_mm)
        pulley = self.pulley_effective_mm(rpm)
        if shaft is None or not given or pulley is None or self.driven_effective_mm is None:
            return None
        return shaft * pulley / self.driven_effective_mm


def read_machine(path: str | Path) -> Machine:
    """Read a machine's description.

    Raises
    ------
    UsageError
        If the file cannot be read, is not TOML, or says something that makes no sense.
    """
    if str(path).lower().endswith(CLIP_SUFFIXES):
        raise UsageError(
            f"machine: {path} is a clip by its name, not a machine's description; make one with: "
            "strobe machine deck.toml --new"
        )
    try:
        text = read_text(Path(path))
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not a text file"
        meant = did_you_mean(nearest_file(path, (".toml",))) if isinstance(error, FileNotFoundError) else ""
        make = f".{meant} Or make one with" if meant else "; make one with"
        new = path if isinstance(error, FileNotFoundError) else "deck.toml"
        raise UsageError(f"machine: cannot read {path}: {reason}{make}: strobe machine {new} --new") from error
    try:
        return parse_machine(toml_table(text))
    except UsageError as error:
        raise UsageError(f"{error} (in {path})") from error
    except ValueError as error:
        raise UsageError(f"machine: {path} is not a machine file: {error}") from error


def parse_machine(values: dict[str, Any]) -> Machine:
    """A machine from the names and values of its file.

    Raises
    ------
    UsageError
        For a name that is not known, a value of the wrong kind or outside its sensible range, or parts that do not
        fit each other.
    """
    known = {field.name for field in fields(Machine)}
    for name in values:
        if name not in known:
            raise UsageError(f"machine: {name!r} is not known; the names are {', '.join(sorted(known))}")
    if values.get("drive") not in DRIVES:
        raise UsageError(f"machine: drive is {values.get('drive')!r}; it must be one of {', '.join(DRIVES)}")
    made: dict[str, Any] = {"drive": values["drive"]}
    for name, value in values.items():
        if value is None or name == "drive":
            continue
        allowed = _ONLY_FOR.get(name)
        if allowed and values["drive"] not in allowed:
            raise UsageError(f"machine: {name} belongs to a {' or '.join(allowed)} drive, not to {values['drive']}")
        made[name] = _parsed(name, value)
    machine = Machine(**made)
    _check_together(machine)
    return machine


def machine_toml(machine: Machine) -> str:
    """The text of a machine's file; `parse_machine` gives the same machine back."""
    lines = ["# What is known of a record player's drive; leave out what is not. In mm, diameters without belt."]
    for field in fields(Machine):
        value = getattr(machine, field.name)
        if value is None or value in ((), ""):
            continue
        if field.name == "pulley_mm":
            steps = ", ".join(f'"{speed_name(speed)}" = {diameter:g}' for speed, diameter in value)
            lines.append(f"pulley_mm = {{ {steps} }}")
        elif field.name == "speeds_rpm":
            lines.append(f"speeds_rpm = [{', '.join(map(speed_name, value))}]")
        elif isinstance(value, tuple):
            lines.append(f"{field.name} = [{', '.join(f'{item:.10g}' for item in value)}]")
        elif isinstance(value, bool):
            lines.append(f"{field.name} = {str(value).lower()}")
        elif isinstance(value, str):
            escaped = value.replace("\\", "\\\\").replace('"', '\\"')
            lines.append(f'{field.name} = "{escaped}"')
        else:
            lines.append(f"{field.name} = {value:.10g}")
    return "\n".join(lines) + "\n"


def speed_name(rpm: float) -> str:
    """A speed as it stands in a machine's file, for example ``33``."""
    return next((name for name in _SPEED_NAMES if parse_rpm(name) == rpm), f"{rpm:.10g}")


def _parsed(name: str, value: Any) -> Any:
    if name == "name":
        if not isinstance(value, str) or not value.isprintable():
            raise UsageError(f"machine: name is {value!r}; it must be one line of text")
        return value
    if name == "motor":
        if value not in MOTORS:
            raise UsageError(f"machine: motor is {value!r}; it must be one of {', '.join(MOTORS)}")
        return value
    if name == "sprung":
        if not isinstance(value, bool):
            raise UsageError(f"machine: sprung is {value!r}; it must be true or false")
        return value
    if name == "speeds_rpm":
        if not isinstance(value, list) or not value:
            raise UsageError(f"machine: speeds_rpm is {value!r}; it must be a list, as in [33, 45]")
        return tuple(parse_rpm(item) for item in value)
    if name == "dots":
        items = value if isinstance(value, list) else [value]
        return tuple(_whole("dots", item, 4, 2000) for item in items)
    if name == "pulley_mm":
        if not isinstance(value, dict):
            raise UsageError(f"machine: pulley_mm is {value!r}; it must name a speed, as in {{ 33 = 20.8, 45 = 28.3 }}")
        pairs = ((parse_rpm(speed), _number("pulley_mm", item, *_PULLEY_RANGE)) for speed, item in value.items())
        return tuple(sorted(pairs))
    low, high = _RANGES[name]
    return _whole(name, value, low, high) if name in _WHOLE else _number(name, value, low, high)


def _number(name: str, value: Any, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise UsageError(f"machine: {name} is {value!r}; it must be a number between {low:g} and {high:g}")
    return float(value)


def _whole(name: str, value: Any, low: float, high: float) -> int:
    number = _number(name, value, low, high)
    if number != round(number):
        raise UsageError(f"machine: {name} is {value!r}; it must be a whole number")
    return round(number)


def _check_together(machine: Machine) -> None:
    if machine.motor in ("synchronous", "induction") and machine.drive == "direct":
        raise UsageError(f"machine: a direct drive has a servo motor, not a {machine.motor} one on the mains")
    if machine.bounce_hz is not None and machine.sprung is False:
        raise UsageError("machine: bounce_hz is given, but sprung is false; leave one of them out")
    if machine.driven_mm is not None and machine.platter_mm is not None and machine.driven_mm > machine.platter_mm:
        raise UsageError(
            f"machine: driven_mm {machine.driven_mm:g} is larger than platter_mm {machine.platter_mm:g}; "
            "the first is what the belt or idler runs on, the second the outside"
        )
    distance = machine.spindle_path_mm
    if distance is not None and not _SPINDLE_RANGE[0] <= distance <= _SPINDLE_RANGE[1]:
        raise UsageError(f"machine: by its belt the axes would be {distance:.0f} mm apart; see belt_length_mm")
    for rpm in machine.speeds_rpm:
        machine.belt_path_mm(rpm)
        predicted = machine.predicted_rpm(rpm)
        if predicted is not None and not 0.9 < predicted / rpm < 1.1:
            raise UsageError(
                f"machine: motor, pulley and platter as described would give {predicted:.1f} rpm where {rpm:.4g} is "
                "wanted; see motor_rpm or poles, mains_hz, pulley_mm and driven_mm"
            )
