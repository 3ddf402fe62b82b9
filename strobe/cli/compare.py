"""`strobe compare`, `strobe speeds`, `strobe ring`: two clips of one machine, and three questions about them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import (
    DotsOption,
    LampOption,
    MachineOption,
    MainsOption,
    RimOption,
    RpmOption,
    clip_options,
    load_machine,
    measured,
)
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.console import ExitStatus, Surroundings, say, settle, write_line
from strobe.errors import UsageError
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.measurement import Measurement

__all__ = ["compare", "ring", "speeds"]

MARK_FRAMES, FOUND_FRAMES = 0.6, 0.2
"""How well a person tells the frame in which a mark passes, and how well the program does (95 %)."""
FEIGNED_LEFT = 0.4
"""Of what runout feigns, the share that may be wrong where it is taken off (seen on rendered clips)."""

JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]


@app.command("compare")
def compare(
    context: typer.Context,
    before: Annotated[Path, typer.Argument(metavar="BEFORE", hidden=True)],
    after: Annotated[Path, typer.Argument(metavar="AFTER", hidden=True)],
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare two clips, before and after a repair.

    The figures are computed anew in the band that both clips have. Film both
    from the same side: dots off centre add a part that turns with the camera's
    place. Two clips cannot show how well the machine repeats itself; more
    readings, kept in a job, can (strobe job).

    \b
    Example: strobe compare before.mp4 after.mp4
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.bench.comparison import compare as compare_states
        from strobe.report.comparing import comparison_text
        from strobe.report.job_tables import plain_json
        from strobe.report.twoclips import cautions_text, different_conditions, two_clip_job

        options = clip_options(rpm, dots, mains, lamp, kept=load_kept_values(config, camera))
        done, status = measured([before, after], options, here, as_json=as_json)
        if len(done) < 2:
            return status
        earlier, later = done
        comparison = compare_states(two_clip_job(earlier, later))
        differences = different_conditions(earlier, later)
        if as_json:
            write_line(here.out, plain_json(comparison.to_dict() | {"conditions_differ": differences}))
        else:
            say(here.out, comparison_text(comparison))
            if differences:
                say(here.out, cautions_text(differences))
        return status

    raise typer.Exit(settle(work, here, command="strobe compare"))


@app.command("speeds")
def speeds(
    context: typer.Context,
    first: Annotated[Path, typer.Argument(metavar="CLIP33", hidden=True)],
    second: Annotated[Path, typer.Argument(metavar="CLIP45", hidden=True)],
    machine: MachineOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Compare one machine at two speeds: what turns, and what swings.

    A wobble that comes as often a turn at both speeds turns with platter, belt,
    idler, or a motor whose speed is set electronically. One that keeps its Hz is
    a motor on the mains with a stepped pulley, a speed control, a part on
    springs, or the camera.

    \b
    Example: strobe speeds at-33.mp4 at-45.mp4 --machine deck.toml
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.naming import reading_of
        from strobe.drive.speeds import compare_speeds
        from strobe.report.twoclips import speeds_dict, speeds_text

        described = load_machine(machine)
        options = clip_options(None, None, mains, lamp, described, kept=load_kept_values(config, camera))
        done, status = measured([first, second], options, here, as_json=as_json)
        if len(done) < 2:
            return status
        slow, fast = done
        drive = None if described is None else described.drive
        kept = compare_speeds(reading_of(slow), reading_of(fast), drive=drive)
        if as_json:
            write_line(here.out, json.dumps(speeds_dict(slow, fast, kept), allow_nan=False))
        else:
            say(here.out, speeds_text(slow, fast, kept))
        return status

    raise typer.Exit(settle(work, here, command="strobe speeds"))


@app.command("ring")
def ring(
    context: typer.Context,
    first: Annotated[Path, typer.Argument(metavar="CLIP", hidden=True)],
    second: Annotated[Path, typer.Argument(metavar="CLIP2", hidden=True)],
    turned_by: Annotated[
        float,
        typer.Option(
            parser=number, metavar="DEGREES", help="How far the camera moved round the spindle, with the turning."
        ),
    ] = 180.0,
    mark_a: Annotated[
        float | None,
        typer.Option("--mark-a", parser=number, metavar="S", help="When the mark passes in CLIP, if it is not found."),
    ] = None,
    mark_b: Annotated[
        float | None,
        typer.Option("--mark-b", parser=number, metavar="S", help="When the mark passes in CLIP2, if it is not found."),
    ] = None,
    rim_mm: RimOption = None,
    machine: MachineOption = None,
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Tell dots off centre from real wobble by two clips.

    Stick a bit of tape on the rim, above or below the dots. Film once, move the
    camera round the spindle (half a turn is best), and film again at the same
    speed. Where the tape is not found by itself, give the time in each clip at
    which it passes the middle of the picture.

    \b
    Examples:
      strobe ring front.mp4 back.mp4 --rim-mm 305
      strobe ring front.mp4 back.mp4 --mark-a 1.27 --mark-b 0.83
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.ring import Filmed, as_filmed, check_turn, separate_ring
        from strobe.report.twoclips import ring_dict, ring_text

        described = load_machine(machine)
        kept = load_kept_values(config, camera)
        options = clip_options(rpm, dots, mains, lamp, described, rim_mm=rim_mm, kept=kept)
        diameter = options.get("rim_mm")
        check_turn(turned_by)
        for option, given in (("--mark-a", mark_a), ("--mark-b", mark_b)):
            if given is not None and not given >= 0:
                raise UsageError(f"{option}: {given:g} s is no time in a clip, which begins at 0")
        done, status = measured([first, second], options, here, as_json=as_json)
        if len(done) < 2:
            return status
        front, back = (
            Filmed(as_filmed(one.series, one.ring), *_mark_of(one, given, option), feigned_percent=_feigned(one))
            for one, given, option in zip(done, (mark_a, mark_b), ("--mark-a", "--mark-b"), strict=True)
        )
        parts = separate_ring(front, back, turned_by_deg=turned_by)
        alone = tuple(one.ring for one in done)
        if as_json:
            write_line(here.out, json.dumps(ring_dict(parts, turned_by, diameter, alone=alone), allow_nan=False))
        else:
            rim_driven = described is not None and described.rim_driven
            say(here.out, ring_text(parts, turned_by, diameter, rim_driven=rim_driven, alone=alone))
        return status

    raise typer.Exit(settle(work, here, command="strobe ring"))


def _mark_of(measurement: Measurement, given_s: float | None, option: str) -> tuple[float, float]:
    """When the mark passes in a clip, given or found, and the 95 % half-width of that in seconds."""
    if given_s is not None:
        return given_s, MARK_FRAMES / measurement.clip.capture_rate_hz
    index = measurement.index
    if index is None or not index.passes_s:
        raise UsageError(
            f"ring: no mark was found in {measurement.clip.path}; stick a bit of tape on the rim beside the dots and "
            f"film again, or give {option}, the time in seconds at which a mark passes the middle of the picture: "
            "without one the two clips have no angle in common"
        )
    return index.passes_s[len(index.passes_s) // 2], FOUND_FRAMES / measurement.clip.capture_rate_hz


def _feigned(measurement: Measurement) -> float:
    """What may be left once a turn of what runout does to the picture, in percent of the speed."""
    return 0.0 if measurement.ring is None else FEIGNED_LEFT * measurement.ring.runout_percent
