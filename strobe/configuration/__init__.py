"""What never changes at one bench, kept in one TOML file: mains region, cameras with their clocks, usual limits.

Only the command line reads it, and hands the values on; no measuring function does.
"""

from __future__ import annotations

from strobe.configuration.reading import (
    ENVIRONMENT_VARIABLE,
    Configuration,
    KnownCamera,
    Setting,
    configuration_path,
    load_configuration,
    settings_of,
)
from strobe.configuration.rules import check_camera_name
from strobe.configuration.writing import keep_camera, set_value, unset_value

__all__ = [
    "ENVIRONMENT_VARIABLE",
    "Configuration",
    "KnownCamera",
    "Setting",
    "check_camera_name",
    "configuration_path",
    "keep_camera",
    "load_configuration",
    "set_value",
    "settings_of",
    "unset_value",
]
