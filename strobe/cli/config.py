"""`strobe config`: what is kept for this bench, shown and changed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.kept import ConfigOption
from strobe.console import ExitStatus, Surroundings, say, settle, write_line

__all__ = ["config"]

config = typer.Typer()
app.add_typer(config, name="config")


@config.callback(invoke_without_command=True)
def _config(context: typer.Context, file: ConfigOption = None) -> None:
    """Show or change what is kept for this bench.

    Kept are the mains of the region, cameras with calibrated clocks, and the
    usual limits, in one TOML file. The options of a command go before it.
    The file is the one that --config names, else the one that the environment
    variable STROBE_CONFIG names, else one in the usual place for settings.

    \b
    Examples:
      strobe config
      strobe config set mains 50
      strobe config set camera "bench phone"
      strobe config set limits.speed_percent 0.3
      strobe config unset "cameras.bench phone"
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.configuration import configuration_path, load_configuration, settings_of
        from strobe.report.settings import settings_text

        kept = load_configuration(file, must_exist=False)
        source = configuration_path(file)[1]
        say(here.out, settings_text(kept.path, source, settings_of(kept)))
        return ExitStatus.MEASURED

    if context.invoked_subcommand is None:
        raise typer.Exit(settle(work, here, command="strobe config"))
    context.meta["strobe.config"] = file


@config.command("set", context_settings={"ignore_unknown_options": True})
def _set(
    context: typer.Context,
    key: Annotated[str, typer.Argument(metavar="KEY", hidden=True)],
    value: Annotated[str, typer.Argument(metavar="VALUE", hidden=True)],
    file: ConfigOption = None,
) -> None:
    """Set one value.

    KEY is one that strobe config shows, with cameras.NAME.rate_error_ppm,
    .uncertainty_ppm and .date for each camera.

    \b
    Examples:
      strobe config set mains 60
      strobe config set limits.weighted_peak_percent 0.2
      strobe config set cameras.webcam.rate_error_ppm -12.5
    """

    def change(named: Path | None) -> Path:
        from strobe.configuration import set_value

        return set_value(key, value, named)

    _change(context, file, change, f"set {key} to {value} in")


@config.command("unset")
def _unset(
    context: typer.Context,
    key: Annotated[str, typer.Argument(metavar="KEY", hidden=True)],
    file: ConfigOption = None,
) -> None:
    """Take one value, or a whole camera, out of the file.

    \b
    Examples:
      strobe config unset mains
      strobe config unset cameras.webcam
    """

    def change(named: Path | None) -> Path:
        from strobe.configuration import unset_value

        return unset_value(key, named)

    _change(context, file, change, f"took {key} out of")


def _change(context: typer.Context, file: Path | None, change: Callable[[Path | None], Path], done: str) -> None:
    here: Surroundings = context.obj
    named = file if file is not None else context.meta["strobe.config"]

    def work() -> ExitStatus:
        path = change(named)
        write_line(here.out, f"{done} {path}")
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command=f"strobe config {context.info_name}"))
