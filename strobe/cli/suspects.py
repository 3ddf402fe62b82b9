"""`strobe suspects`: which part of the drive makes the wobble of a clip, and what to check next."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import (
    DotsOption,
    HighSpotOption,
    LampOption,
    MachineOption,
    MainsOption,
    RimOption,
    RpmOption,
    clip_options,
    load_machine,
    measured,
    save_high_spot,
    say_written,
)
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.console import ExitStatus, Surroundings, say, settle, write_line
from strobe.errors import UsageError

__all__ = ["suspects"]


@app.command("suspects")
def suspects(
    context: typer.Context,
    clip: Annotated[Path, typer.Argument(metavar="CLIP", hidden=True)],
    machine: MachineOption = None,
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw speed, spectrum and turn map, .png or .svg.")
    ] = None,
    rim_mm: RimOption = None,
    high_spot: HighSpotOption = None,
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
) -> None:
    """Tell which part makes the wobble, and what to check.

    CLIP is best 60 s long: belt and platter come round almost alike, and take
    9 to 16 turns to be told apart. With a description of the machine the answer
    is surer, and the fault gets a size in millimetres. How far the rim rises and
    falls is told as well; with a bit of tape on it, where its high spot is.

    \b
    Examples:
      strobe suspects clip.mp4
      strobe suspects clip.mp4 --machine deck.toml
      strobe suspects clip.mp4 --machine deck.toml --plot clip.png
      strobe suspects clip.mp4 --rim-mm 305 --high-spot high.png

    \b
    Exit status: 0 told, 2 wrong usage, 3 refused (no figure could be trusted),
    4 not readable, 130 interrupted.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.diagnosis import diagnose
        from strobe.drive.locking import FEWEST_TURNS, turn_map
        from strobe.drive.naming import reading_of, with_suspects
        from strobe.drive.regulation import find_events
        from strobe.report.plot import check_plot_target, write_plot
        from strobe.report.still import check_still_target
        from strobe.report.suspects import suspects_dict, suspects_text

        described = load_machine(machine)
        if plot is not None:
            check_plot_target(plot)
        if high_spot is not None:
            check_still_target(high_spot)
            if plot is not None and os.path.realpath(plot) == os.path.realpath(high_spot):
                raise UsageError(f"--plot and --high-spot both name {plot}; name two files")
        kept = load_kept_values(config, camera)
        options = clip_options(rpm, dots, mains, lamp, described, rim_mm=rim_mm, kept=kept)
        done, status = measured([clip], options, here, as_json=as_json)
        for measurement in done:
            diagnosis = diagnose(reading_of(measurement), described)
            if as_json:
                write_line(here.out, json.dumps(suspects_dict(measurement, diagnosis), allow_nan=False))
            else:
                enough = measurement.speed.revolutions >= FEWEST_TURNS
                turns = turn_map(measurement.series) if enough else None
                events = find_events(measurement.series)
                say(here.out, suspects_text(measurement, diagnosis, machine=described, turns=turns, events=events))
            if plot is not None:
                write_plot(with_suspects(measurement, diagnosis), plot)
            if high_spot is not None:
                save_high_spot(measurement, high_spot)
            say_written(here, plot, high_spot, as_json=as_json)
        return status

    raise typer.Exit(settle(work, here, command="strobe suspects"))
