"""`strobe render`: practice clips of an invented machine, with their truth."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.cli.app import app
from strobe.console import ExitStatus, Surroundings, settle, write_line
from strobe.errors import UsageError
from strobe.files import check_target
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.practice import RenderRequest

__all__ = ["render"]


@app.command("render")
def render(
    context: typer.Context,
    out: Annotated[Path | None, typer.Argument(metavar="OUT", hidden=True)] = None,
    rpm: Annotated[str, typer.Option(metavar="RPM", help="Nominal speed: 16, 33, 45, 78 or a number.")] = "33",
    dots: Annotated[
        int | None,
        typer.Option(metavar="N", help="Dots round the rim; else the usual ring for speed and mains."),
    ] = None,
    mains: Annotated[
        float, typer.Option(parser=number, metavar="HZ", help="True mains frequency; the lamp flashes twice as often.")
    ] = 50.0,
    lamp: Annotated[str, typer.Option(metavar="LAMP", help="The lamp: pulse, half-sine, sine or steady.")] = "pulse",
    deviation: Annotated[
        float, typer.Option(parser=number, metavar="PERCENT", help="Speed error, positive = fast.")
    ] = 0.3,
    wobble: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RATE:PERCENT",
            help="A wobble by its rate a turn (1:0.2) or in Hz (4.2Hz:0.1); repeatable.  [default: 1:0.2]",
        ),
    ] = None,
    fps: Annotated[float, typer.Option(parser=number, metavar="HZ", help="Pictures a second.")] = 30.0,
    exposure: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MS",
            help="Shutter time in milliseconds.  [default: 21 with pulse, else 2, at most a frame]",
        ),
    ] = None,
    seconds: Annotated[float, typer.Option(parser=number, metavar="S", help="Length of the clip.")] = 10.0,
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
            if given := _given_besides(context, "samples"):
                raise UsageError(f"--samples makes its own clips, and {given} changes nothing of them; leave it out")
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


def _given_besides(context: typer.Context, name: str) -> str | None:
    """The first other option that was typed, as it is typed."""
    for parameter in context.command.params:
        source = context.get_parameter_source(parameter.name or "")
        if parameter.name != name and source is not None and source.name == "COMMANDLINE":
            return str(parameter.opts[0])
    return None


def _render_clip(request: RenderRequest, out: Path, seed: int, here: Surroundings) -> ExitStatus:
    if seed < 0:
        raise UsageError(f"--seed: {seed} is below 0; any whole number from 0 up will do")
    from strobe.render.clip import truth_path

    if not os.path.isfile(out):
        check_target(out, option="OUT")
    if out.exists():
        raise UsageError(f"{out} is there already; name another file, so that no real clip is lost")
    if truth_path(out).exists():
        raise UsageError(
            f"{truth_path(out)} is there already, the truth of another clip; name another file, or delete it"
        )
    import numpy as np

    from strobe.practice import scene_of
    from strobe.render import render_clip

    scene = scene_of(request)
    try:
        render_clip(scene, out, rng=np.random.default_rng(seed))
    except OSError as error:
        raise UsageError(f"cannot write {out}: {error.strerror or error}") from error
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
