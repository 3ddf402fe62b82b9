"""The command line: options into a frozen request, one call of the library, and the report printed.

Only typer is imported here at the top; the rest waits until a command needs it, so that help answers at once.
"""

from __future__ import annotations

import io
import math
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle, write_line
from strobe.errors import ClipUnreadable, Refused, UsageError

if TYPE_CHECKING:
    from typing import TextIO

    from strobe.measurement import Measurement
    from strobe.practice import RenderRequest

__all__ = ["ExitStatus", "MeasureRequest", "main", "run"]


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


app = typer.Typer(
    name="strobe",
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


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
    with redirect_stdout(out), redirect_stderr(err):
        try:
            typer.main.get_command(app)(args=list(argv), prog_name="strobe", obj=Surroundings(out, err, measure))
        except SystemExit as end:
            return int(end.code or 0)
    return ExitStatus.MEASURED


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


@app.command("measure")
def _measure(
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


@app.command("render")
def _render(
    context: typer.Context,
    out: Annotated[Path | None, typer.Argument(metavar="OUT", hidden=True)] = None,
    rpm: Annotated[str, typer.Option(metavar="RPM", help="Nominal speed: 16, 33, 45, 78 or a number.")] = "33",
    dots: Annotated[
        int | None,
        typer.Option(metavar="N", help="Dots round the rim; else the usual ring for speed and mains."),
    ] = None,
    mains: Annotated[
        float, typer.Option(metavar="HZ", help="True mains frequency; the lamp flashes twice as often.")
    ] = 50.0,
    lamp: Annotated[str, typer.Option(metavar="LAMP", help="The lamp: pulse, half-sine, sine or steady.")] = "pulse",
    deviation: Annotated[float, typer.Option(metavar="PERCENT", help="Speed error, positive = fast.")] = 0.3,
    wobble: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RATE:PERCENT",
            help="A wobble by its rate a turn (1:0.2) or in Hz (4.2Hz:0.1); repeatable.  [default: 1:0.2]",
        ),
    ] = None,
    fps: Annotated[float, typer.Option(metavar="HZ", help="Pictures a second.")] = 30.0,
    exposure: Annotated[float, typer.Option(metavar="MS", help="Shutter time in milliseconds.")] = 2.0,
    seconds: Annotated[float, typer.Option(metavar="S", help="Length of the clip.")] = 10.0,
    size: Annotated[str, typer.Option(metavar="WxH", help="Size of the picture in pixels.")] = "1280x720",
    seed: Annotated[int, typer.Option(metavar="N", help="Same seed and options, same clip.")] = 1,
    samples: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Make all sample clips into a folder instead.")
    ] = None,
) -> None:
    """Make a practice clip of an invented machine, with its truth.

    OUT is the clip to write: .mp4, .mov or .mkv (H.264), or .avi (Motion JPEG).
    The true figures go into a file of the same name that ends in .truth.json.

    \b
    Examples:
      strobe render try.mp4
      strobe render try.mp4 --rpm 45 --mains 60 --deviation -0.4
      strobe render try.mp4 --wobble 1:0.3 --wobble 4.2Hz:0.1
      strobe render --samples sample_clips
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        if samples is not None:
            if out is not None:
                raise UsageError(f"--samples makes its own clips, and {out} was named as well; leave one of them out")
            return _render_samples(samples, here)
        if out is None:
            raise UsageError("name the clip to write, as in: strobe render try.mp4")
        from strobe.practice import RenderRequest, codec_for

        request = RenderRequest(
            rpm=rpm,
            dots=dots,
            mains_hz=mains,
            lamp=lamp,
            deviation_percent=deviation,
            wobbles=tuple(wobble or RenderRequest.wobbles),
            frame_rate_hz=fps,
            exposure_ms=exposure,
            seconds=seconds,
            size=size,
            codec=codec_for(out),
        )
        return _render_clip(request, out, seed, here)

    raise typer.Exit(settle(work, here, command="strobe render"))


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


def _render_clip(request: RenderRequest, out: Path, seed: int, here: Surroundings) -> ExitStatus:
    if out.exists():
        raise UsageError(f"{out} is there already; name another file, so that no real clip is lost")
    if not out.resolve().parent.is_dir():
        raise UsageError(f"the folder {out.parent} does not exist; make it first, or name another")
    import numpy as np

    from strobe.practice import scene_of
    from strobe.render import render_clip, truth_path

    scene = scene_of(request)
    try:
        render_clip(scene, out, rng=np.random.default_rng(seed))
    except BaseException:
        out.unlink(missing_ok=True)
        raise
    write_line(here.out, f"wrote {out} and {truth_path(out)}")
    return ExitStatus.MEASURED


def _render_samples(folder: Path, here: Surroundings) -> ExitStatus:
    from strobe.render import write_sample_clips

    try:
        paths = write_sample_clips(folder)
    except OSError as error:
        raise UsageError(f"--samples: cannot write into {folder}: {error.strerror or error}") from error
    for path in paths:
        write_line(here.out, f"wrote {path}")
    return ExitStatus.MEASURED


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
