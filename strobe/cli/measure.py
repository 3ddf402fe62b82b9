"""`strobe measure`: options into a frozen request, one call of the library a clip, and the reading printed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle, write_line
from strobe.errors import ClipUnreadable, Refused, UsageError

__all__ = ["MeasureRequest", "measure"]


@dataclass(frozen=True)
class MeasureRequest:
    """What `strobe measure` was asked for."""

    clips: tuple[str, ...]
    rpm: str | None
    dots: int | None
    mains_hz: int | None
    lamp: str | float
    capture_rate_hz: float | None
    as_json: bool
    csv: Path | None
    plot: Path | None


@app.command("measure")
def measure(
    context: typer.Context,
    clips: Annotated[list[Path], typer.Argument(metavar="CLIP", hidden=True)],
    rpm: Annotated[str | None, typer.Option(metavar="RPM", help="Nominal speed: 16, 33, 45, 78 or a number.")] = None,
    dots: Annotated[int | None, typer.Option(metavar="N", help="Dots in the row, all round the rim.")] = None,
    mains: Annotated[str | None, typer.Option(metavar="50|60", help="Mains frequency in Hz.")] = None,
    lamp: Annotated[
        str,
        typer.Option(metavar="LAMP", help="The light: mains, steady, or its flashes a second where known exactly."),
    ] = "mains",
    capture_rate: Annotated[
        float | None,
        typer.Option(metavar="HZ", help="Pictures a second that a slow-motion clip was captured at."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a clip and nothing else.")] = False,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the speed over time as CSV (one clip only).")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw speed and its spectrum, .png or .svg (one clip only)."),
    ] = None,
) -> None:
    """Measure speed, wow and flutter from clips.

    A CLIP is a video file as the camera wrote it, with the row of dots on a
    platter's rim in the picture. What is not given here is seen in the clip, or
    assumed, and the reading says which.

    \b
    Examples:
      strobe measure clip.mp4
      strobe measure clip.mp4 --rpm 45 --dots 160 --mains 60
      strobe measure clip.mp4 --plot clip.png --csv clip.csv
      strobe measure before.mp4 after.mp4 --json

    \b
    Exit status: 0 measured, 2 wrong usage, 3 refused (no figure could be
    trusted), 4 not readable, 130 interrupted. Of several clips the highest
    counts.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        request = MeasureRequest(
            clips=tuple(map(str, clips)),
            rpm=rpm,
            dots=dots,
            mains_hz=_parse_mains(mains),
            lamp=_parse_lamp(lamp),
            capture_rate_hz=capture_rate,
            as_json=as_json,
            csv=csv,
            plot=plot,
        )
        _check_targets(request)
        return _measure_clips(request, here)

    raise typer.Exit(settle(work, here, command="strobe measure"))


def _parse_mains(text: str | None) -> int | None:
    if text is None:
        return None
    if text not in ("50", "60"):
        raise UsageError(f"--mains: {text!r} is neither 50 nor 60, the two mains frequencies in Hz")
    return int(text)


def _parse_lamp(text: str) -> str | float:
    if text in ("mains", "steady"):
        return text
    try:
        rate_hz = float(text)
    except ValueError:
        rate_hz = math.nan
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise UsageError(f"--lamp: {text!r} is none of: mains, steady, a number of flashes a second above 0")
    return rate_hz


def _check_targets(request: MeasureRequest) -> None:
    from strobe.report.plot import check_suffix
    from strobe.report.tables import check_target

    sources = {Path(clip).resolve() for clip in request.clips}
    for option, path in (("--csv", request.csv), ("--plot", request.plot)):
        if path is None:
            continue
        if len(request.clips) > 1:
            raise UsageError(
                f"{option} takes one clip, but there are {len(request.clips)} and one file cannot hold them "
                "all; measure them one by one, or use --json for all at once"
            )
        if path.resolve() in sources:
            raise UsageError(f"{option}: {path} is the clip itself; name another file")
        check_target(path, option=option)
    if request.plot is not None:
        check_suffix(request.plot)
        if request.csv is not None and request.csv.resolve() == request.plot.resolve():
            raise UsageError(f"--csv and --plot both name {request.csv}; name two files")


def _measure_clips(request: MeasureRequest, here: Surroundings) -> ExitStatus:
    from strobe.measurement import Refusal
    from strobe.report import tables, terminal
    from strobe.report.plot import write_plot
    from strobe.report.words import printable

    measure = here.measure
    if measure is None:
        from strobe.measuring import measure as measure_file

        measure = measure_file
    worst = ExitStatus.MEASURED
    for place, clip in enumerate(request.clips):
        status = ExitStatus.MEASURED
        try:
            with progress_bar(here.err, label=printable(Path(clip).name)) as tick:
                measurement = measure(
                    clip,
                    rpm=request.rpm,
                    dots=request.dots,
                    mains=request.mains_hz,
                    lamp=request.lamp,
                    capture_rate_hz=request.capture_rate_hz,
                    progress=tick,
                )
        except Refused as refused:
            status = ExitStatus.REFUSED
            refusal = Refusal(clip, refused.code, refused.message, refused.advice)
            if request.as_json:
                write_line(here.out, tables.json_line(refusal))
            else:
                say(here.err, terminal.refusal_text(refusal), gap=place > 0)
        except ClipUnreadable as error:
            status = ExitStatus.UNREADABLE
            say(here.err, terminal.unreadable_text(clip, str(error)), gap=place > 0)
        else:
            if request.as_json:
                write_line(here.out, tables.json_line(measurement))
            else:
                say(here.out, terminal.reading(measurement), gap=place > 0)
            if request.csv is not None:
                tables.write_csv(measurement.series, request.csv)
            if request.plot is not None:
                write_plot(measurement, request.plot)
        worst = max(worst, status)
    return worst
