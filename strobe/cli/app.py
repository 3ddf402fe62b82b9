"""The command line's root: the typer application that every command adds itself to.

Only typer is imported at the top here and in the commands; the rest waits until a command needs it, so that help
answers at once.
"""

from __future__ import annotations

from typing import Annotated

import typer

from strobe.console import ExitStatus, Surroundings, say, settle, write_line

__all__ = ["app"]

app = typer.Typer(
    name="strobe",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _strobe(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version; strobe about prints all.", is_eager=True)
    ] = False,
) -> None:
    """Measure how true and how steady a record player turns, from a clip of its strobe dots.

    \b
    Example: strobe measure clip.mp4
    """
    here: Surroundings = context.obj
    if version:
        raise typer.Exit(settle(lambda: _print_version(here), here, command="strobe"))
    if context.invoked_subcommand is None:
        raise typer.Exit(settle(lambda: _greet(here), here, command="strobe"))


def _greet(here: Surroundings) -> ExitStatus:
    from strobe.report.terminal import greeting

    say(here.out, greeting())
    return ExitStatus.MEASURED


def _print_version(here: Surroundings) -> ExitStatus:
    from importlib.metadata import version

    write_line(here.out, f"strobe {version('strobe')}")
    return ExitStatus.MEASURED
