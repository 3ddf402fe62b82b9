"""`strobe look`: what clips are like as measuring pictures, and what would help most."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import CaptureRateOption, DotsOption, LampOption, MainsOption, RpmOption, clip_options
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle, write_line
from strobe.errors import ClipUnreadable

__all__ = ["look"]


@app.command("look")
def look(
    context: typer.Context,
    clips: Annotated[list[Path], typer.Argument(metavar="CLIP", hidden=True)],
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    capture_rate: CaptureRateOption = None,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The clip is a mirror image.")] = False,
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a clip and nothing else.")] = False,
) -> None:
    """Tell what clips are like as measuring pictures.

    A CLIP is a video file, or a folder of them. Says whether it is good to
    measure with, what limits the reading, and the one or two changes that would
    help most; then light, shutter, dots, shake, timing and file. It works on
    clips that measure refuses, too.

    \b
    Examples:
      strobe look clip.mp4
      strobe look clip.mp4 --json

    \b
    Exit status: 0 looked at (refused clips too), 2 wrong usage, 4 not readable.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.bench.many import clips_in
        from strobe.looking import look as look_at
        from strobe.report import terminal
        from strobe.report.look import look_text
        from strobe.report.words import printable

        options = clip_options(rpm, dots, mains, lamp, kept=load_kept_values(config, camera))
        worst = ExitStatus.MEASURED
        for place, clip in enumerate(clips_in([str(clip) for clip in clips])):
            try:
                with progress_bar(here.err, label=printable(Path(clip).name)) as tick:
                    seen = look_at(clip, **options, capture_rate_hz=capture_rate, mirrored=mirrored, progress=tick)
            except ClipUnreadable as error:
                worst = ExitStatus.UNREADABLE
                say(here.err, terminal.unreadable_text(clip, str(error)), gap=place > 0)
            else:
                if as_json:
                    write_line(here.out, json.dumps(seen.to_dict(), allow_nan=False))
                else:
                    say(here.out, look_text(seen), gap=place > 0)
        return worst

    raise typer.Exit(settle(work, here, command="strobe look"))
