"""`strobe calibrate`: a camera's clock from a clip of a lamp whose flash rate is known."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import CaptureRateOption
from strobe.cli.kept import ConfigOption
from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle
from strobe.errors import Refused, UsageError
from strobe.typed import number

__all__ = ["calibrate"]


@app.command("calibrate")
def calibrate(
    context: typer.Context,
    clip: Annotated[Path, typer.Argument(metavar="CLIP", hidden=True)],
    lamp: Annotated[float, typer.Option(parser=number, metavar="HZ", help="The lamp's true flashes a second.")],
    lamp_uncertainty: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="PPM",
            help="How well that is known, 95 %, in parts per million; else 20. A must at the rates of the mains.",
        ),
    ] = None,
    camera: Annotated[str | None, typer.Option(metavar="NAME", help="A name for the camera.")] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Keep the outcome in the configuration.")] = False,
    capture_rate: CaptureRateOption = None,
    config: ConfigOption = None,
) -> None:
    """Measure a camera's clock against a lamp that flashes exactly.

    CLIP shows anything that stands still in the light of that lamp alone, from
    a stand; no dots are needed, and 30 to 60 s are best. A lamp on the mains is
    not exact: it may be off by 1000 to 2000 ppm. Take one that a quartz or a
    generator drives, and say how exact it is where it flashes at 50, 60, 100 or
    120 Hz as the mains does. The outcome holds for this camera, app and frame
    rate.

    \b
    Examples:
      strobe calibrate lamp.mp4 --lamp 110 --lamp-uncertainty 2
      strobe calibrate lamp.mp4 --lamp 110 --camera "bench phone" --keep
      strobe measure clip.mp4 --camera "bench phone"

    \b
    Exit status: 0 calibrated, 2 wrong usage, 3 refused, 4 not readable.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from datetime import date

        from strobe.configuration import KnownCamera, check_camera_name, keep_camera, load_configuration
        from strobe.measurement import Refusal
        from strobe.measuring.calibration import calibrate_clock
        from strobe.report import terminal
        from strobe.report.calibration import calibration_text
        from strobe.report.words import printable

        if keep and camera is None:
            raise UsageError('--keep needs a name for the camera, as in: --camera "bench phone" --keep')
        if camera is not None:
            check_camera_name(camera)
        load_configuration(config, must_exist=False)
        try:
            with progress_bar(here.err, label=printable(clip.name)) as tick:
                found = calibrate_clock(
                    clip,
                    lamp_hz=lamp,
                    lamp_uncertainty_ppm=lamp_uncertainty,
                    capture_rate_hz=capture_rate,
                    progress=tick,
                )
        except Refused as refused:
            say(here.err, terminal.refusal_text(Refusal(str(clip), refused.code, refused.message, refused.advice)))
            return ExitStatus.REFUSED
        kept_in = None
        if keep and camera is not None and found.improves:
            kept_in = keep_camera(
                KnownCamera(camera, found.rate_error_ppm, found.uncertainty_ppm, date.today()), config
            )
        say(here.out, calibration_text(found, camera=camera, kept_in=kept_in, asked_to_keep=keep))
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe calibrate"))
