"""`strobe live`: the readout while somebody turns the pitch control."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.app import app
from strobe.cli.beside import Beside, ShowOption, ToneFileOption, ToneOption
from strobe.cli.clips import DotsOption, LampOption, MainsOption, RpmOption, parse_lamp, parse_mains
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.cli.keys import ends_by_hand, handled
from strobe.console import ExitStatus, Surroundings, complain, say, settle, write_line
from strobe.errors import UsageError
from strobe.files import check_target
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.live import LiveOptions, LiveOutcome, LiveRun, LiveUpdate
    from strobe.live.records import WarmReading
    from strobe.live.warmup import WarmUpWatch
    from strobe.report.live import LiveScreen

__all__ = ["check_pace", "live", "live_options", "open_live_source", "say_what_cut_it_short"]

_LINE, _CURVE_ROWS = 80, 8


@app.command("live")
def live(
    context: typer.Context,
    source: Annotated[str, typer.Argument(metavar="[SOURCE]", hidden=True)] = "0",
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The picture is a mirror image.")] = False,
    band: Annotated[
        float, typer.Option(parser=number, metavar="PERCENT", help="What counts as right, plus or minus.")
    ] = 0.1,
    for_s: Annotated[
        float | None,
        typer.Option("--for", parser=number, metavar="SECONDS", help="End after so long; else q or Ctrl-C ends."),
    ] = None,
    pace: Annotated[
        float,
        typer.Option(
            parser=number, metavar="FACTOR", help="A clip only: play it so many times faster; 0 for every picture."
        ),
    ] = 1.0,
    rate: Annotated[
        float | None, typer.Option(parser=number, metavar="HZ", help="Ask the camera for so many pictures.")
    ] = None,
    size: Annotated[str | None, typer.Option(metavar="WxH", help="Ask the camera for this size.")] = None,
    exposure: Annotated[
        float | None,
        typer.Option(parser=number, metavar="VALUE", help="Ask for this exposure, in the unit of the camera's driver."),
    ] = None,
    as_is: Annotated[bool, typer.Option("--as-is", help="Ask the camera for nothing.")] = False,
    show: ShowOption = False,
    tone: ToneOption = False,
    tone_file: ToneFileOption = None,
    warm_up: Annotated[
        bool, typer.Option("--warm-up", help="A reading a minute until the speed has settled, with the curve.")
    ] = False,
    every: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="SECONDS",
            help="With --warm-up: a reading so often; settled takes five.  [default: 60]",
        ),
    ] = None,
    csv: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the speed of the settled part.")] = None,
    cameras: Annotated[bool, typer.Option("--cameras", help="List the cameras and end.")] = False,
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object an update, last the reading.")] = False,
) -> None:
    """Follow the dots live and say which way to turn.

    SOURCE is a camera by number or device (the first one if left out), the
    address of a stream (http or rtsp, as telephones make it), or a clip, which
    is played at its own pace. At its end the run prints the reading of its
    settled part, as measure does for a clip.

    \b
    Examples:
      strobe live
      strobe live http://192.0.2.7:8080/video --rpm 33 --mains 50
      strobe live clip.mp4 --pace 4 --json
      strobe live --tone --band 0.2
      strobe live --warm-up --rpm 33
      strobe live --cameras

    \b
    Exit status: 0 measured, 1 not settled with --warm-up, 2 wrong usage, 3 no
    figure of a settled part, 4 the camera cannot be read. The q key and Ctrl-C
    end a run in good order, with its reading; Ctrl-C once more breaks it off.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        if cameras:
            return _list_cameras(here)
        from strobe.live import LiveRun
        from strobe.live.sources import is_clip

        if csv is not None:
            check_target(csv, option="--csv")
        kept = load_kept_values(config, camera)
        if "://" in source and mains is None and lamp == "mains" and kept.options.get("mains_default") is None:
            raise UsageError(
                "over a network the times of the pictures are those of their arrival, too rough to tell the mains by; "
                "give --mains 50 or --mains 60"
            )
        options = live_options(rpm, dots, mains, lamp, band, kept.options)
        check_pace(pace)
        if for_s is not None and not for_s > 0:
            raise UsageError(f"--for: {for_s:g} s is not above 0")
        watch = None
        if warm_up:
            from strobe.live.warmup import WarmUpWatch

            watch = WarmUpWatch() if every is None else WarmUpWatch(interval_s=every)
        elif every is not None:
            raise UsageError("--every is how often --warm-up takes a reading; give both, or leave it out")
        with (
            Beside(show=show, tone=tone, tone_file=tone_file) as beside,
            open_live_source(
                source, here, mirrored=mirrored, rate=rate, size=size, exposure=exposure, as_is=as_is, quiet=as_json
            ) as opened,
        ):
            beside.begin(opened.facts.full_scale)
            own_pace = pace if is_clip(source) else None
            with LiveRun(opened, options, pace=own_pace, for_s=for_s, on_frame=beside.take) as run:
                with ends_by_hand(run):
                    _follow(run, here, beside, as_json=as_json, watch=watch)
                outcome = run.outcome()
        return _end(outcome, here, as_json=as_json, csv=csv, watch=watch)

    raise typer.Exit(settle(work, here, command="strobe live"))


def live_options(
    rpm: str | None, dots: int | None, mains: str | None, lamp: str, band: float, kept: Any
) -> LiveOptions:
    """What is known beforehand, as options and configuration (`kept`) say it.

    Raises
    ------
    UsageError
        If one of them makes no sense.
    """
    from strobe.figures.rings import parse_rpm
    from strobe.live import LiveOptions
    from strobe.measuring import check_options

    mains_hz, light = parse_mains(mains), parse_lamp(lamp)
    check_options(dots, mains_hz, light, None, kept.get("mains_default"))
    if not 0.005 <= band <= 5:
        raise UsageError(f"--band: {band:g} % is outside 0.005 to 5 %")
    return LiveOptions(
        nominal_rpm=None if rpm is None else parse_rpm(rpm),
        dots=dots,
        mains_hz=mains_hz,
        lamp=light,
        mains_default_hz=kept.get("mains_default"),
        camera_rate_error_ppm=kept.get("camera_rate_error_ppm"),
        camera_rate_uncertainty_ppm=kept.get("camera_rate_uncertainty_ppm"),
        band_percent=band,
    )


def open_live_source(
    source: str,
    here: Surroundings,
    *,
    mirrored: bool,
    rate: float | None = None,
    size: str | None = None,
    exposure: float | None = None,
    as_is: bool = False,
    quiet: bool = False,
) -> Any:
    """Open the source, and say what a camera agreed to."""
    from strobe.live.sources import answers_of, open_source

    def tell(message: str) -> None:
        if not here.err.isatty():
            complain(here.err, message)

    opened = open_source(
        source,
        mirrored=mirrored,
        rate_hz=rate,
        size=_parse_size(size),
        exposure=exposure,
        as_it_is=as_is,
        on_event=tell,
    )
    for line in () if quiet else answers_of(opened):
        write_line(here.err, line)
    return opened


def _parse_size(text: str | None) -> tuple[int, int] | None:
    if text is None:
        return None
    width, cross, height = text.partition("x")
    if not (cross and width.isdecimal() and height.isdecimal() and int(width) and int(height)):
        raise UsageError(f"--size: {text!r} is not width x height in pixels, such as 1280x720")
    return int(width), int(height)


def check_pace(pace: float) -> None:
    """Raise `UsageError` for a pace that makes no sense."""
    if not 0 <= pace <= 1000:
        raise UsageError(f"--pace: {pace:g} is outside 0 to 1000")


def _list_cameras(here: Surroundings) -> ExitStatus:
    from strobe.live.sources import list_cameras

    found = list_cameras()
    for name in found:
        write_line(here.out, name)
    if not found:
        write_line(here.err, "No camera gives a picture. Plug one in, or give the address of a telephone's stream.")
    return ExitStatus.MEASURED if found else ExitStatus.UNREADABLE


def _follow(run: LiveRun, here: Surroundings, beside: Beside, *, as_json: bool, watch: WarmUpWatch | None) -> None:
    told = _on_json(here, watch) if as_json else _on_lines(here, watch)
    with ExitStack() as open_now:
        if here.out.isatty() and not as_json:
            from strobe.report.live import LiveScreen

            told = _on_screen(open_now.enter_context(LiveScreen(here.out, color=not os.environ.get("NO_COLOR"))), watch)
        for update in run:
            made = None if watch is None else watch.take(update)
            told(update, made)
            handled(run, beside.tell(update, run))
            if watch is not None and watch.result().settled_after_s is not None:
                return


def _on_json(here: Surroundings, watch: WarmUpWatch | None) -> Callable[[LiveUpdate, WarmReading | None], None]:
    import json

    from strobe.live.warmup import WARM_UP_SCHEMA

    def tell(update: LiveUpdate, made: WarmReading | None) -> None:
        write_line(here.out, json.dumps(update.to_dict(), allow_nan=False))
        if made is not None and watch is not None:
            result = watch.result()
            line = {
                "schema": WARM_UP_SCHEMA,
                "time_s": made.time_s,
                "deviation_percent": made.deviation_percent,
                "uncertainty_percent": made.uncertainty_percent,
                "change_percent": result.change_percent,
                "settled": result.settled_after_s is not None,
            }
            write_line(here.out, json.dumps(line, allow_nan=False))

    return tell


def _on_lines(here: Surroundings, watch: WarmUpWatch | None) -> Callable[[LiveUpdate, WarmReading | None], None]:
    """For a pipe: a line whenever something new is to be said; with a warm-up watch, its readings."""
    from strobe.report.live import figure_words
    from strobe.report.warmup import interval_line

    said: tuple[str, ...] = ()

    def tell(update: LiveUpdate, made: WarmReading | None) -> None:
        nonlocal said
        if made is not None and watch is not None:
            write_line(here.out, interval_line(made, watch.result()))
        new = (update.state, update.instruction, update.message)
        quiet = watch is not None and update.deviation_percent is not None
        if new != said and not quiet:
            figure = update.message
            if update.deviation_percent is not None:
                figure = f"{figure_words(update)} %  {update.instruction}"
            head = f"{update.time_s:7.1f} s  {update.state:<9}  "
            for line in textwrap.wrap(figure, _LINE, initial_indent=head, subsequent_indent=" " * len(head)):
                write_line(here.out, line)
        said = new

    return tell


def _on_screen(screen: LiveScreen, watch: WarmUpWatch | None) -> Callable[[LiveUpdate, WarmReading | None], None]:
    from strobe.report.warmup import WarmUpCurve, warm_up_task

    def tell(update: LiveUpdate, made: WarmReading | None) -> None:
        if watch is None:
            screen.show(update)
            return
        result = watch.result()
        words = "warming up" if update.deviation_percent is not None else None
        curve = WarmUpCurve(result.readings, result.interval_s)
        screen.show(update, task=warm_up_task(update, result), words=words, chart=curve)

    return tell


def _end(
    outcome: LiveOutcome, here: Surroundings, *, as_json: bool, csv: Path | None, watch: WarmUpWatch | None
) -> ExitStatus:
    """Print the reading of the settled part, or why there is none, and how a warm-up went."""
    from strobe.report import terminal
    from strobe.report.tables import json_line, write_csv

    say_what_cut_it_short(outcome.ended, here)
    if watch is not None and not as_json:
        _print_warm_up(watch, here)
    result = outcome.measurement or outcome.refusal
    assert result is not None
    if as_json:
        write_line(here.out, json_line(result))
    elif outcome.measurement is not None:
        say(here.out, terminal.reading(outcome.measurement))
    if outcome.measurement is None:
        assert outcome.refusal is not None
        if not as_json:
            say(here.err, terminal.refusal_text(outcome.refusal))
        return ExitStatus.REFUSED
    if csv is not None:
        write_csv(outcome.measurement.series, csv)
    if watch is not None and watch.result().settled_after_s is None:
        return ExitStatus.OUTSIDE_LIMITS
    return ExitStatus.MEASURED


def say_what_cut_it_short(ended: str, here: Surroundings) -> None:
    """Say why there were no more pictures, where that was a fault."""
    if ended not in ("source", "time", "stopped"):
        complain(here.err, ended)


def _print_warm_up(watch: WarmUpWatch, here: Surroundings) -> None:
    from strobe.report.warmup import WarmUpCurve, settled_words

    result = watch.result()
    curve = WarmUpCurve(result.readings, result.interval_s)
    plain = (getattr(here.out, "encoding", None) or "utf-8").lower().replace("-", "") != "utf8"
    for line in curve.lines(width=_LINE, rows=_CURVE_ROWS, band_percent=0.1, plain=plain) if result.readings else []:
        write_line(here.out, line.rstrip())
    write_line(here.out, f"WARM-UP     {settled_words(result)}")
