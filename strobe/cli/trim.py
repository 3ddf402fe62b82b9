"""`strobe trim`: a guided run through the adjustments of a machine."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import DotsOption, LampOption, MainsOption
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.cli.live import ends_by_hand, live_options, open_live_source
from strobe.console import ExitStatus, Surroundings, settle, write_line
from strobe.errors import UsageError

if TYPE_CHECKING:
    from strobe.live import LiveRun
    from strobe.live.trim import Found, TrimReport, TrimRun

__all__ = ["trim"]


@app.command("trim")
def trim(
    context: typer.Context,
    source: Annotated[str, typer.Argument(metavar="[SOURCE]", hidden=True)] = "0",
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The picture is a mirror image.")] = False,
    band: Annotated[float, typer.Option(metavar="PERCENT", help="What counts as right, plus or minus.")] = 0.1,
    done_at: Annotated[
        list[float] | None,
        typer.Option(metavar="SECONDS", help="For rehearsals with a clip: says at this time that a step is done."),
    ] = None,
    pace: Annotated[
        float, typer.Option(metavar="FACTOR", help="A clip only: play it so many times faster; 0 for every picture.")
    ] = 1.0,
    keep: Annotated[Path | None, typer.Option(metavar="FILE", help="Write as found and as left, as JSON.")] = None,
    camera: CameraOption = None,
    config: ConfigOption = None,
) -> None:
    """Guide through a trim: 33 1/3, 45, and 33 1/3 again.

    Tells the cautions, then asks for one step after the other, until both
    speeds are inside the band; at last the range of the pitch control. The
    space bar says that a step is done, q ends the run. Prints as found and as
    left for each speed.

    \b
    Examples:
      strobe trim
      strobe trim http://192.0.2.7:8080/video --band 0.2 --keep deck.json

    \b
    Exit status: 0 both speeds left inside, 1 not, 2 wrong usage, 4 the camera
    cannot be read.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.files import write_whole
        from strobe.live import LiveRun
        from strobe.live.sources import is_clip
        from strobe.live.trim import CAUTIONS, TrimRun
        from strobe.report.tables import check_target

        if not 0 <= pace <= 1000:
            raise UsageError(f"--pace: {pace:g} is outside 0 to 1000")
        if keep is not None:
            check_target(keep, option="--keep")
        options = live_options(None, dots, mains, lamp, band, load_kept_values(config, camera).options)
        for line in CAUTIONS:
            _wrapped(here, f"CAUTION  {line}")
        opened = open_live_source(source, here, mirrored=mirrored)
        steps = TrimRun(band)
        with LiveRun(opened, options, pace=pace if is_clip(source) else None) as run:
            _guide(run, steps, here, sorted(done_at or []))
        report = steps.report()
        _print(report, here)
        if keep is not None:
            write_whole(keep, (json.dumps(asdict(report), indent=1) + "\n").encode())
        return ExitStatus.MEASURED if report.inside else ExitStatus.OUTSIDE_LIMITS

    raise typer.Exit(settle(work, here, command="strobe trim"))


def _guide(run: LiveRun, steps: TrimRun, here: Surroundings, done_at: list[float]) -> None:
    from strobe.report.live import LiveScreen

    pressed: list[str] = []
    screen = LiveScreen(here.out, color=not os.environ.get("NO_COLOR")) if here.out.isatty() else None
    said, why = "", ""
    with ends_by_hand(run, on_key=pressed.append):
        if screen is not None:
            screen.__enter__()
        try:
            for update in run:
                steps.take(update)
                if done_at and update.time_s >= done_at[0]:
                    done_at.pop(0)
                    pressed.append(" ")
                if " " in pressed:
                    why = steps.done()
                    pressed.clear()
                asks = f"{why} {steps.asks}".strip()
                if screen is not None:
                    screen.show(replace(update, message=asks))
                elif asks != said:
                    _wrapped(here, f"{update.time_s:7.1f} s  {asks}")
                said = asks
        finally:
            if screen is not None:
                screen.__exit__(None, None, None)


def _print(report: TrimReport, here: Surroundings) -> None:
    from strobe.report.words import rpm_words

    def line(label: str, one: Found) -> str:
        return (
            f"{label:<12}{rpm_words(one.nominal_rpm):>6} rpm  {one.deviation_percent:+.3f} % "
            f"(±{one.uncertainty_percent:.2g})"
        )

    for label, group in (("AS FOUND", report.as_found), ("AS LEFT", report.as_left)):
        for one in group:
            write_line(here.out, line(label, one))
    for one in report.pitch_range:
        write_line(here.out, line("PITCH STOP", one))
    rounds = "one round" if report.rounds == 1 else f"{report.rounds} rounds"
    end = "both speeds are inside" if report.inside else "not both speeds are inside"
    write_line(here.out, f"{'RESULT':<12}{end}, after {rounds}")


def _wrapped(here: Surroundings, text: str) -> None:
    import textwrap

    for line in textwrap.wrap(text, 80, subsequent_indent=" " * 9):
        write_line(here.out, line)
