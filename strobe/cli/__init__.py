"""The command line: each command in a module of its own, all of them in one application."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from typing import TYPE_CHECKING, Any

import typer

from strobe.cli import about as _about
from strobe.cli import calibrate as _calibrate
from strobe.cli import coast as _coast
from strobe.cli import compare as _compare
from strobe.cli import config as _config
from strobe.cli import job as _job
from strobe.cli import job_files as _job_files
from strobe.cli import live as _live
from strobe.cli import load as _load
from strobe.cli import look as _look
from strobe.cli import machine as _machine
from strobe.cli import measure as _measure
from strobe.cli import print as _print
from strobe.cli import render as _render
from strobe.cli import suspects as _suspects
from strobe.cli import trim as _trim
from strobe.cli import watch as _watch
from strobe.cli.app import app
from strobe.cli.misuse import Misuse, say_misuse
from strobe.console import ExitStatus, Surroundings

if TYPE_CHECKING:
    from typing import TextIO

    from strobe.measurement import Measurement

__all__ = ["ExitStatus", "main", "run"]

_COMMANDS = (
    _measure,
    _look,
    _suspects,
    _machine,
    _compare,
    _load,
    _coast,
    _live,
    _trim,
    _watch,
    _calibrate,
    _render,
    _about,
    _job,
    _job_files,
    _print,
    _config,
)
"""Each module adds its commands when it is imported; help lists them in this order, those with commands below last."""


def _place(added: Any) -> int:
    first = added if hasattr(added, "callback") and added.callback else added.typer_instance.registered_commands[0]
    return [module.__name__ for module in _COMMANDS].index(first.callback.__module__)


for _added in (app.registered_commands, app.registered_groups):
    _added.sort(key=_place)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line of this process and return its exit status."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    status = run(sys.argv[1:] if argv is None else argv, out=sys.stdout, err=sys.stderr)
    if status == ExitStatus.PIPE_CLOSED:
        # The interpreter flushes standard output once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return status


def run(
    argv: Sequence[str],
    *,
    out: TextIO,
    err: TextIO,
    measure: Callable[..., Measurement] | None = None,
) -> int:
    """Run one command inside this process.

    Parameters
    ----------
    argv : sequence of str
        The arguments without the program's name.
    out, err : text streams
        Take the place of standard output and standard error.
    measure : callable, optional
        Takes the place of `strobe.measure`.

    Returns
    -------
    int
        An `ExitStatus`.
    """
    here = Surroundings(out, err, measure)
    with redirect_stdout(out), redirect_stderr(err):
        try:
            # Not standing alone, it hands wrong usage on, and returns the status that a command ended with.
            status = typer.main.get_command(app).main(
                args=list(argv), prog_name="strobe", obj=here, standalone_mode=False
            )
        except Misuse as misuse:
            return say_misuse(misuse, here)
        except SystemExit as end:
            return int(end.code or 0)
    return int(status or 0)
