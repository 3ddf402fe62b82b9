"""`strobe compare`, `strobe speeds`, `strobe ring`: two clips of one machine, and three questions about them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from strobe.cli.app import app
from strobe.cli.clips import (
    DotsOption,
    LampOption,
    MachineOption,
    MainsOption,
    RpmOption,
    clip_options,
    load_machine,
    measured,
)
from strobe.console import ExitStatus, Surroundings, say, settle, write_line
from strobe.errors import UsageError

__all__ = ["compare", "ring", "speeds"]

MARK_FRAMES = 0.6
"""How well a person tells the frame in which a mark passes (95 %)."""

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

        done, status = measured([before, after], clip_options(rpm, dots, mains, lamp), here, as_json=as_json)
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
        options = clip_options(None, None, mains, lamp, described)
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
        float, typer.Option(metavar="DEGREES", help="How far the camera moved round the spindle, with the turning.")
    ] = 180.0,
    mark_a: Annotated[
        float | None, typer.Option("--mark-a", metavar="S", help="When the mark passes mid-picture in CLIP.")
    ] = None,
    mark_b: Annotated[
        float | None, typer.Option("--mark-b", metavar="S", help="When the mark passes mid-picture in CLIP2.")
    ] = None,
    rim: Annotated[float | None, typer.Option("--rim", metavar="MM", help="Diameter of the row of dots in mm.")] = None,
    machine: MachineOption = None,
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    as_json: JsonOption = False,
) -> None:
    """Tell dots off centre from real wobble by two clips.

    Stick a bit of tape on the rim. Film once, move the camera round the spindle
    (half a turn is best), film again at the same speed, and give the time in each
    clip at which the tape passes the middle of the picture.

    \b
    Example: strobe ring front.mp4 back.mp4 --mark-a 1.27 --mark-b 0.83
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        import json

        from strobe.drive.ring import Filmed, separate_ring
        from strobe.report.twoclips import ring_dict, ring_text

        if mark_a is None or mark_b is None:
            raise UsageError(
                "ring: give --mark-a and --mark-b, the times in seconds at which a mark on the platter passes the "
                "middle of the picture; without a mark the two clips have no angle in common"
            )
        described = load_machine(machine)
        diameter = rim if rim is not None else None if described is None else described.platter_mm
        if diameter is not None and not 50 <= diameter <= 500:
            raise UsageError(f"--rim: {diameter:g} is not between 50 and 500 mm")
        options = clip_options(rpm, dots, mains, lamp, described)
        done, status = measured([first, second], options, here, as_json=as_json)
        if len(done) < 2:
            return status
        front, back = (
            Filmed(one.series, mark, mark_uncertainty_s=MARK_FRAMES / one.clip.capture_rate_hz)
            for one, mark in zip(done, (mark_a, mark_b), strict=True)
        )
        parts = separate_ring(front, back, turned_by_deg=turned_by)
        rim_driven = (
            described is not None and described.drive != "direct" and described.driven_mm == described.platter_mm
        )
        if as_json:
            write_line(here.out, json.dumps(ring_dict(parts, turned_by, diameter), allow_nan=False))
        else:
            say(here.out, ring_text(parts, turned_by, diameter, rim_driven=rim_driven))
        return status

    raise typer.Exit(settle(work, here, command="strobe ring"))
