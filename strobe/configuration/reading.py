"""The configuration read and held against its rules, and where in the file each value stands."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

from strobe import files
from strobe.configuration.rules import CAMERA_KEYS, KEYS, NO_CAMERA, is_camera_name, known_keys, must, rule_of
from strobe.errors import UsageError

__all__ = [
    "ENVIRONMENT_VARIABLE",
    "Configuration",
    "KnownCamera",
    "Setting",
    "checked",
    "configuration_path",
    "load_configuration",
    "look_up",
    "read_text",
    "settings_of",
]

ENVIRONMENT_VARIABLE = "STROBE_CONFIG"

_UNSTATED_PPM = 50.0
"""Half-width where a camera's entry states none: the widest tolerance that is usual for a crystal (value from memory:
data sheets)."""
_WARMTH_PPM = 3.0
_AGEING_PPM_PER_YEAR = 3.0
"""What a crystal of a phone does on a bench between 15 and 30 degrees and with the years (values from memory: data
sheets of quartz crystals)."""


@dataclass(frozen=True)
class KnownCamera:
    """A camera whose clock has been calibrated.

    Attributes
    ----------
    name : str
        As the owner calls it.
    rate_error_ppm : float
        Parts per million by which its clock runs fast.
    uncertainty_ppm : float
        95 % half-width of `rate_error_ppm` on the day of the calibration.
    calibrated_on : datetime.date or None
        That day.
    """

    name: str
    rate_error_ppm: float
    uncertainty_ppm: float
    calibrated_on: date | None

    def uncertainty_now_ppm(self, today: date) -> float:
        """95 % half-width of the rate error today: warmth and the time gone by since the calibration widen it."""
        years = 1.0 if self.calibrated_on is None else max(0.0, (today - self.calibrated_on).days / 365.25)
        return math.hypot(self.uncertainty_ppm, _WARMTH_PPM, _AGEING_PPM_PER_YEAR * years)


@dataclass(frozen=True)
class Configuration:
    """The values of one file; all are None or empty where nothing is set.

    Attributes
    ----------
    path : Path
        The file, whether it exists or not.
    mains_hz : float or None
        Mains of the region, 50 or 60.
    camera : str or None
        Name of the camera that is used when none is named.
    cameras : mapping of str to KnownCamera
        By name.
    speed_limit_percent, weighted_peak_limit_percent : float or None
        Usual limits of a reading.
    """

    path: Path
    mains_hz: float | None = None
    camera: str | None = None
    cameras: Mapping[str, KnownCamera] = field(default_factory=dict)
    speed_limit_percent: float | None = None
    weighted_peak_limit_percent: float | None = None

    def camera_named(self, name: str | None) -> KnownCamera | None:
        """The camera called `name`, or the usual one for None; None where there is neither, or for ``none``.

        Raises
        ------
        UsageError
            When `name` is not in the file.
        """
        wanted = self.camera if name is None else name
        if wanted is None or wanted == NO_CAMERA:
            return None
        if wanted not in self.cameras:
            known = f"it knows {', '.join(sorted(self.cameras))}" if self.cameras else "it knows no camera yet"
            raise UsageError(
                f"no camera is called {wanted!r} in {self.path}; {known}. "
                "A camera is entered by: strobe calibrate CLIP --lamp HZ --camera NAME --keep"
            )
        return self.cameras[wanted]


@dataclass(frozen=True)
class Setting:
    """One line of what is set: key, value as text, unit and meaning, and the line of the file (None for not set)."""

    key: str
    value: str | None
    meaning: str
    line: int | None


def configuration_path(named: Path | None = None) -> tuple[Path, str]:
    """The file to use, and what names it: an option, the environment variable, or the platform's folder."""
    if named is not None:
        return named, "--config"
    told = os.environ.get(ENVIRONMENT_VARIABLE)
    if told:
        return Path(told), ENVIRONMENT_VARIABLE
    from platformdirs import user_config_path

    return user_config_path("strobe", appauthor=False) / "configuration.toml", "the usual place"


def load_configuration(named: Path | None = None, *, must_exist: bool = True) -> Configuration:
    """Read the configuration.

    Parameters
    ----------
    named : Path or None
        The file that an option names.
    must_exist : bool
        Whether a file that was named (by option or environment) and is missing is an error.

    Raises
    ------
    UsageError
        The file is named but missing, can't be read, is no TOML, or holds an unknown key or a wrong value; the message
        says file, line, key and rule.
    """
    path, source = configuration_path(named)
    text = read_text(path)
    if text is None:
        if must_exist and source != "the usual place":
            raise UsageError(f"{path}, named by {source}, does not exist; strobe config set writes it")
        return Configuration(path)
    return checked(path, text)


def settings_of(configuration: Configuration) -> tuple[Setting, ...]:
    """Every key with its value and the line where it stands, set ones and unset ones."""
    text = read_text(configuration.path) or ""
    keys = [*KEYS, *(f"cameras.{name}.{key}" for name in configuration.cameras for key in CAMERA_KEYS)]
    table = files.toml_table(text)
    found = []
    for key in keys:
        value = look_up(table, key.split("."))
        rule = rule_of(key)
        shown = None if value is None else str(value)
        found.append(Setting(key, shown, rule.meaning, None if value is None else _line_of(text, key.split("."))))
    return tuple(found)


def read_text(path: Path) -> str | None:
    """The text of the file; None where there is none."""
    try:
        return files.read_text(path)
    except FileNotFoundError:
        return None
    except UnicodeDecodeError as error:
        raise UsageError(f"{path} is not text in UTF-8 (byte {error.start}); TOML must be") from error
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror or error}") from error


def checked(path: Path, text: str) -> Configuration:
    """The values in `text`, every one held against its rule."""
    try:
        table = files.toml_table(text)
    except ValueError as error:
        raise UsageError(f"{path} is not valid TOML: {error}. Correct that place, or rename the file") from error

    def value_at(*keys: str) -> Any:
        key = ".".join(keys)
        value = look_up(table, keys)
        if value is not None:
            where = f"{path}, line {_line_of(text, keys)}: {key} = {value!r}"
            rule_of(key).check(where, value)
        return value

    _refuse_strangers(path, text, (), table, ("mains", "camera", "limits", "cameras"))
    limits = _table_at(path, text, table, "limits")
    _refuse_strangers(path, text, ("limits",), limits, ("speed_percent", "weighted_peak_percent"))
    cameras = {}
    for name in _table_at(path, text, table, "cameras"):
        where = f"{path}, line {_line_of(text, ('cameras', name))}"
        must(is_camera_name(name), f"{where}: cameras.{name}", "not a usable name")
        entry = _table_at(path, text, table, "cameras", name)
        _refuse_strangers(path, text, ("cameras", name), entry, CAMERA_KEYS)
        error_ppm = value_at("cameras", name, "rate_error_ppm")
        must(error_ppm is not None, f"{where}: cameras.{name}", "needs rate_error_ppm")
        uncertainty = value_at("cameras", name, "uncertainty_ppm")
        uncertainty_ppm = _UNSTATED_PPM if uncertainty is None else float(uncertainty)
        cameras[name] = KnownCamera(name, float(error_ppm), uncertainty_ppm, value_at("cameras", name, "date"))
    camera = value_at("camera")
    if camera is not None and camera != NO_CAMERA:
        where = f"{path}, line {_line_of(text, ('camera',))}: camera = {camera!r}"
        must(camera in cameras, where, f"must be one of the cameras in the file ({', '.join(cameras) or 'none yet'})")
    return Configuration(
        path=path,
        mains_hz=value_at("mains"),
        camera=camera,
        cameras=cameras,
        speed_limit_percent=value_at("limits", "speed_percent"),
        weighted_peak_limit_percent=value_at("limits", "weighted_peak_percent"),
    )


def _refuse_strangers(
    path: Path, text: str, folders: tuple[str, ...], table: Mapping[str, Any], known: tuple[str, ...]
) -> None:
    for key in table:
        if key not in known:
            line = _line_of(text, (*folders, key))
            raise UsageError(f"{path}, line {line}: {'.'.join((*folders, key))} is unknown; {known_keys()}")


def _table_at(path: Path, text: str, table: Mapping[str, Any], *keys: str) -> Mapping[str, Any]:
    found = look_up(table, keys)
    if found is None:
        return {}
    if not isinstance(found, Mapping):
        where = f"{path}, line {_line_of(text, keys)}: {'.'.join(keys)} = {found!r}"
        raise UsageError(f"{where}: must be a section, written [{'.'.join(keys)}]")
    return found


def look_up(table: Any, keys: tuple[str, ...] | list[str]) -> Any:
    """What a table holds under a path of keys; None for nothing."""
    for key in keys:
        if not isinstance(table, Mapping) or key not in table:
            return None
        table = table[key]
    return table


def _line_of(text: str, keys: tuple[str, ...] | list[str]) -> int:
    """The first line by which the table holds `keys`: the shortest beginning of the file that, alone, has them.

    Values may run over several lines; the line that completes the value is the one that is found then.
    """
    lines = text.splitlines()
    for count in range(1, len(lines) + 1):
        with suppress(ValueError):
            if look_up(files.toml_table("\n".join(lines[:count])), keys) is not None:
                return count
    return len(lines)
