"""What is said of a command line that typer can't take, in the words and the look of every other message."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from typing import Any

import typer

from strobe.console import ExitStatus, Surroundings, complain, write_line
from strobe.errors import did_you_mean, nearest
from strobe.files import CLIP_SUFFIXES

__all__ = ["Misuse", "say_misuse"]

Misuse: type[Any] = typer.BadParameter.__mro__[1]
"""What typer raises for every wrong usage; of its classes it offers the narrower `typer.BadParameter` alone."""
_INSTEAD = {"config show": "strobe config", "config list": "strobe config", "help": "strobe --help"}
"""Commands that people look for, and what does it here."""
_UNITS = {
    **{"HZ": "Hz", "MM": "millimetres", "MS": "milliseconds", "S": "seconds", "SECONDS": "seconds"},
    **{"MIN": "minutes", "PERCENT": "percent", "DEGREES": "degrees", "PPM": "ppm", "RPM": "rpm"},
}
"""What a number is given in, by what stands in its place in the help."""
_WITH_UNIT = re.compile(r"\s*[-+]?[\d.,]+\s*[^\d\s.,]\S*\s*")


def say_misuse(error: Any, here: Surroundings) -> ExitStatus:
    """Say what is wrong with a command line, and where help is; a group alone is answered with its help."""
    context = error.ctx
    if context is not None and error.format_message() == context.get_help():
        error.show()
        return ExitStatus.USAGE
    complain(here.err, _words(error))
    write_line(here.err, f"Try: {'strobe' if context is None else context.command_path} --help")
    return ExitStatus.USAGE


def _words(error: Any) -> str:
    parameter, message = getattr(error, "param", None), str(error.message).rstrip(".")
    if hasattr(error, "option_name"):
        return (
            _no_such_option(error) if hasattr(error, "possibilities") else f"{error.option_name}: its value is missing"
        )
    if unknown := re.match(r"No such command '(.*?)'\.?( |$)", str(error.message), re.DOTALL):
        return _no_such_command(unknown[1], error.ctx)
    if parameter is None:
        return message[:1].lower() + message[1:]
    name = _name(parameter)
    if hasattr(error, "param_type"):
        return (
            f"{name} {parameter.metavar} is missing{_meaning(parameter)}"
            if name != parameter.metavar
            else (f"{name} is missing")
        )
    found = _failed(error)
    if found is None:
        return f"{name}: {message}"
    typed, said = found
    whole = "whole " * ("valid integer" in message)
    unit = _UNITS.get(str(parameter.metavar))
    alone = "the number alone" if _WITH_UNIT.fullmatch(typed) else f"a {whole}number"
    said = said or f"{typed!r} is not a {whole}number"
    return f"{name}: {said}; give {alone}{f', in {unit}' if unit else ''}{_meaning(parameter)}"


def _failed(error: Any) -> tuple[str, str] | None:
    """What was typed where a number was asked for, and what our own reading of it said; None for another failure."""
    details: Any = getattr(error.__cause__, "errors", None)
    if details is None:
        return None
    first = details()[0]
    cause = first.get("ctx", {}).get("error")
    return str(first["input"]), "" if cause is None else str(cause)


def _name(parameter: Any) -> str:
    """As it is typed: an option by its first name, an argument by what stands in its place in the help."""
    return str(parameter.opts[0]) if parameter.param_type_name == "option" else str(parameter.metavar)


def _meaning(parameter: Any) -> str:
    words = str(getattr(parameter, "help", None) or "").partition("  [")[0].rstrip(".")
    return f" ({words[:1].lower()}{words[1:]})" if words else ""


def _no_such_option(error: Any) -> str:
    if (error.ctx.command_path, error.option_name) == ("strobe print strip", "--rim-mm"):
        return (
            "--rim-mm: a strip is cut to the length round the rim, not by its diameter; wrap "
            "paper round it, measure, and give that with --circumference"
        )
    near = error.possibilities[0] if error.possibilities else None
    return f"{error.option_name}: there is no such option.{did_you_mean(near)}"


def _no_such_command(name: str, context: Any) -> str:
    group = context.command_path
    if os.path.isfile(name) or name.lower().endswith(CLIP_SUFFIXES):
        typed = name if " " not in name else f'"{name}"'
        return f"{name!r} is no command; a clip is measured by: strobe measure {typed}"
    path = f"{group} {name}".removeprefix("strobe ")
    if path in _INSTEAD:
        return f"{name!r} is no command; what you want may be: {_INSTEAD[path]}"
    known: Iterable[str] = context.command.commands
    return f"{name!r} is no command of {group}.{did_you_mean(nearest(name, known))}"
