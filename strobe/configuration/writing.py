"""Changes to the configuration: comments and order stay, and the file is replaced in one step.

A crash leaves either the old file or the new one, both whole.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from strobe.configuration.reading import (
    ENVIRONMENT_VARIABLE,
    KnownCamera,
    checked,
    configuration_path,
    load_configuration,
    look_up,
    read_text,
)
from strobe.configuration.rules import check_camera_name, rule_of
from strobe.errors import UsageError
from strobe.files import write_whole

__all__ = ["keep_camera", "set_value", "unset_value"]


def set_value(key: str, text: str, named: Path | None = None) -> Path:
    """Set one key and write the file; returns its path.

    Raises
    ------
    UsageError
        An unknown key, a value that breaks its rule, or a file that can't be read or written.
    """
    rule = rule_of(key)
    value = rule.parse(text)
    rule.check(f"{key} = {text}", value)
    if key == "camera":
        load_configuration(named, must_exist=False).camera_named(text)

    def change(document: Any) -> None:
        *folders, last = key.split(".")
        table = document
        for folder in folders:
            table = _section(table, folder)
        table[last] = value

    return _change(change, named)


def unset_value(key: str, named: Path | None = None) -> Path:
    """Take one key, or a whole camera, out of the file; returns its path.

    Raises
    ------
    UsageError
        The key is unknown or not set, or the file can't be read or written.
    """
    parts = key.split(".")
    if not (len(parts) == 2 and parts[0] == "cameras"):
        rule_of(key)

    def change(document: Any) -> None:
        *folders, last = parts
        table = document
        for folder in folders:
            table = table.get(folder, {})
        if last not in table:
            raise UsageError(f"{key} is not set, so there is nothing to take out; strobe config shows what is")
        del table[last]
        for depth in range(len(folders), 0, -1):
            inner = look_up(document, folders[:depth])
            if not inner:
                del look_up(document, folders[: depth - 1])[folders[depth - 1]]

    return _change(change, named)


def keep_camera(camera: KnownCamera, named: Path | None = None) -> Path:
    """Write a camera's calibration, in place of an older one of that name; returns the file's path.

    Raises
    ------
    UsageError
        A name that can't be used, or a file that can't be read or written.
    """
    check_camera_name(camera.name)

    def change(document: Any) -> None:
        table = _section(_section(document, "cameras"), camera.name)
        table["rate_error_ppm"] = round(camera.rate_error_ppm, 2)
        table["uncertainty_ppm"] = round(camera.uncertainty_ppm, 2)
        if camera.calibrated_on is not None:
            table["date"] = camera.calibrated_on

    return _change(change, named)


def _section(table: Any, name: str) -> Any:
    """The table of that name within another, made in the way that the other is written: ``{…}`` holds only its like."""
    import tomlkit
    from tomlkit.items import InlineTable

    return table.setdefault(name, tomlkit.inline_table() if isinstance(table, InlineTable) else tomlkit.table())


def _change(change: Callable[[Any], None], named: Path | None) -> Path:
    """Read the file, change it, hold the outcome against the rules, and put it in place in one step."""
    import tomlkit

    path, _ = configuration_path(named)
    old = read_text(path)
    if old is not None:
        checked(path, old)
    document = tomlkit.parse(old or "")
    change(document)
    text = tomlkit.dumps(document)
    try:
        checked(path, text)
    except UsageError as error:
        would = str(error).removeprefix(f"{path}, ")
        raise UsageError(f"{path} was left as it is; changed, it would hold in {would}") from error
    target = path.resolve()
    if target.exists() and not target.is_file():
        raise UsageError(f"{path} is not an ordinary file; name another with --config or {ENVIRONMENT_VARIABLE}")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}") from error
    write_whole(path, text.encode(), lasting=True)
    return path
