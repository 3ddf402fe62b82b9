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
        bool, typer.Option("--version", help="Print the versions that a bug report needs.", is_eager=True)
    ] = False,
) -> None:
    """Measure how true and how steady a record player turns, from a clip of its strobe dots.

    \b
    Example: strobe measure clip.mp4
    """
    here: Surroundings = context.obj
    if version:
        raise typer.Exit(settle(lambda: _print_versions(here), here, command="strobe"))
    if context.invoked_subcommand is None:
        raise typer.Exit(settle(lambda: _greet(here), here, command="strobe"))


def _greet(here: Surroundings) -> ExitStatus:
    from strobe.report.terminal import greeting

    say(here.out, greeting())
    return ExitStatus.MEASURED


def _print_versions(here: Surroundings) -> ExitStatus:
    import platform
    from importlib.metadata import PackageNotFoundError, version

    from strobe.capture.versions import decoder_versions

    def installed(name: str) -> str:
        try:
            return version(name)
        except PackageNotFoundError:
            return "not installed under this name"

    lines = {"strobe": version("strobe"), "python": f"{platform.python_version()} on {platform.platform()}"}
    lines |= {name: installed(name) for name in ("numpy", "scipy", "opencv-python", "av")}
    for name, text in (lines | decoder_versions()).items():
        write_line(here.out, f"{name:<15}{text}")
    return ExitStatus.MEASURED
