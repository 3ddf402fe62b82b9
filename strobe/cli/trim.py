"""`strobe trim`: a guided run through the adjustments of a machine."""

from __future__ import annotations

import json
import os
import sys
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.cli.app import app
from strobe.cli.beside import Beside, ShowOption, ToneFileOption, ToneOption
from strobe.cli.clips import DotsOption, LampOption, MainsOption
from strobe.cli.filing import JobOption, LogOption
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.cli.keys import ends_by_hand, handled
from strobe.cli.live import check_pace, live_options, open_live_source, say_what_cut_it_short
from strobe.console import ExitStatus, Surroundings, complain, settle, write_line
from strobe.files import check_target, write_whole
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.live import LiveRun
    from strobe.live.trim import Found, TrimReport, TrimRun

__all__ = ["outcome_words", "trim"]

_REPAIR = "speeds trimmed"
_SAID_S = 4.0
"""For so long it is said why a step is not done yet."""


@app.command("trim")
def trim(
    context: typer.Context,
    source: Annotated[str, typer.Argument(metavar="[SOURCE]", hidden=True)] = "0",
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The picture is a mirror image.")] = False,
    band: Annotated[
        float, typer.Option(parser=number, metavar="PERCENT", help="What counts as right, plus or minus.")
    ] = 0.1,
    done_at: Annotated[
        list[float] | None,
        typer.Option(
            parser=number, metavar="SECONDS", help="For rehearsals with a clip: says at this time that a step is done."
        ),
    ] = None,
    pace: Annotated[
        float,
        typer.Option(
            parser=number, metavar="FACTOR", help="A clip only: play it so many times faster; 0 for every picture."
        ),
    ] = 1.0,
    show: ShowOption = False,
    tone: ToneOption = False,
    tone_file: ToneFileOption = None,
    keep: Annotated[Path | None, typer.Option(metavar="FILE", help="Write as found and as left, as JSON.")] = None,
    job: JobOption = None,
    log: LogOption = None,
    camera: CameraOption = None,
    config: ConfigOption = None,
) -> None:
    """Guide through a trim: 33 1/3, 45, and 33 1/3 again.

    Tells the cautions, then asks for one step after the other: pitch control
    to its centre, warm-up, both speeds as found, then trimming; each speed is
    read again once the other was trimmed, until both are right; at last the
    range of the pitch control. The space bar says that a step is done, s leaves
    one out, q ends the run. Prints as found and as left for each speed; with
    --job their readings are filed.

    \b
    Examples:
      strobe trim --tone
      strobe trim http://192.0.2.7:8080/video --mains 50 --keep deck.json
      strobe trim --band 0.2 --job "deck 12"

    \b
    Exit status: 0 both speeds left inside, 1 not, 2 wrong usage, 4 the camera
    cannot be read, 5 undecided.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.live import LiveRun
        from strobe.live.sources import is_clip
        from strobe.live.trim import CAUTIONS, TrimRun

        check_pace(pace)
        if keep is not None:
            check_target(keep, option="--keep")
        if job is not None:
            from strobe.bench import open_log

            with open_log(log, must_exist=True) as kept_log:
                kept_log.check_open(job)
        options = live_options(None, dots, mains, lamp, band, load_kept_values(config, camera).options)
        for line in CAUTIONS:
            _wrapped(here, f"CAUTION  {line}")
        if here.out.isatty() and sys.stdin is not None and sys.stdin.isatty():
            _wrapped(here, "Press Enter once this is understood; Ctrl-C ends.")
            sys.stdin.readline()
        steps = TrimRun(band)
        with (
            Beside(show=show, tone=tone, tone_file=tone_file) as beside,
            open_live_source(source, here, mirrored=mirrored) as opened,
        ):
            beside.begin(opened.facts.full_scale)
            with LiveRun(opened, options, pace=pace if is_clip(source) else None, on_frame=beside.take) as run:
                _guide(run, steps, here, beside, sorted(done_at or []), filed=job is not None)
        say_what_cut_it_short(run.ended, here)
        report = steps.report()
        _print(report, here)
        if keep is not None:
            write_whole(keep, (json.dumps(asdict(report), indent=1) + "\n").encode())
        if job is not None:
            _file(steps, job, log, here)
        statuses = {"outside": ExitStatus.OUTSIDE_LIMITS, "undecided": ExitStatus.TOO_UNCERTAIN}
        return statuses.get(report.outcome, ExitStatus.MEASURED)

    raise typer.Exit(settle(work, here, command="strobe trim"))


def _guide(
    run: LiveRun, steps: TrimRun, here: Surroundings, beside: Beside, done_at: list[float], *, filed: bool
) -> None:
    from strobe.report.live import LiveScreen
    from strobe.report.warmup import warm_up_task

    pressed: list[str] = []
    said = why = ""
    why_until_s = 0.0
    with ExitStack() as open_now:
        open_now.enter_context(ends_by_hand(run, on_key=pressed.append))
        screen = None
        if here.out.isatty():
            screen = open_now.enter_context(LiveScreen(here.out, color=not os.environ.get("NO_COLOR")))
        for update in run:
            steps.take(update)
            handled(run, beside.tell(update, run), pressed.append)
            if done_at and update.time_s >= done_at[0]:
                done_at.pop(0)
                pressed.append(" ")
            if pressed:
                why, why_until_s = _answered(pressed, steps, run, filed=filed), update.time_s + _SAID_S
                if why and screen is None:
                    _wrapped(here, f"{update.time_s:7.1f} s  {why}")
            if screen is not None:
                about = f" {warm_up_task(update, steps.warm_up)}" if steps.step == "warm-up" else ""
                not_yet = f"{why} " if update.time_s < why_until_s else ""
                screen.show(update, task=f"{not_yet}{steps.asks}{about}")
            elif steps.asks != said:
                _wrapped(here, f"{update.time_s:7.1f} s  {steps.asks}")
            said = steps.asks


def _answered(pressed: list[str], steps: TrimRun, run: LiveRun, *, filed: bool) -> str:
    """What the keys that were pressed do: why a step is not done, or nothing."""
    why = ""
    if " " in pressed:
        why = steps.refuses()
        reading = run.follower.reading_now() if filed and steps.keeps_reading and not why else None
        if filed and steps.keeps_reading and not why and reading is None:
            why = "Not yet: the full reading that is to be filed takes a few seconds more."
        why = why or steps.done(reading)
    elif "s" in pressed or "S" in pressed:
        why = steps.leave_out()
    pressed.clear()
    return why


def _file(steps: TrimRun, job: str, log: Path | None, here: Surroundings) -> None:
    """File the full readings: as found before, as left after the repair that the trim is."""
    from hashlib import sha256

    from strobe.bench import open_log
    from strobe.bench.records import Conditions

    with open_log(log, must_exist=True) as kept:
        for left, one in steps.measured:
            content = json.dumps([one.to_dict(), one.series.deviation_percent.tolist()])
            filed = kept.file_reading(
                job,
                one,
                clip_sha256=sha256(content.encode()).hexdigest(),
                after=_REPAIR if left else None,
                conditions=Conditions(pitch="centre"),
                settings={"live": True},
            )
            what = "as left" if left else "as found"
            write_line(here.out, f"FILED       reading {filed.number} in job {job}, {what}")
        if not steps.measured:
            complain(here.err, "nothing was filed: no step was done with a full reading")


def _print(report: TrimReport, here: Surroundings) -> None:
    from strobe.report.words import rounded, rpm_words

    def line(label: str, one: Found) -> str:
        decimals = rounded(one.uncertainty_percent)
        return (
            f"{label:<12}{rpm_words(one.nominal_rpm):>6} rpm  {one.deviation_percent:+.{decimals}f} % "
            f"(±{one.uncertainty_percent:.{decimals}f})"
        )

    for label, group in (("AS FOUND", report.as_found), ("AS LEFT", report.as_left)):
        for one in group:
            write_line(here.out, line(label, one))
    for one in report.pitch_range:
        write_line(here.out, line("PITCH STOP", one))
    if report.settled_after_s is not None:
        write_line(here.out, f"{'WARM-UP':<12}settled after {report.settled_after_s / 60:.0f} min")
    _wrapped(here, f"{'RESULT':<12}{outcome_words(report)}", indent=12)


def outcome_words(report: TrimReport) -> str:
    """How the speeds were left, and why that is undecided where it is."""
    from strobe.report.words import rounded, rpm_words

    band = f"±{report.band_percent:g} %"
    rounds = "one round" if report.rounds == 1 else f"{report.rounds} rounds"
    if report.outcome != "undecided":
        which = "both" if report.outcome == "inside" else "not both"
        return f"{which} speeds are inside {band}, after {rounds}"
    undecided = f"undecided whether both speeds are inside {band}"
    if report.not_read_rpm:
        which = " and ".join(map(rpm_words, report.not_read_rpm))
        were = "were" if len(report.not_read_rpm) > 1 else "was"
        return f"{undecided}: {which} rpm {were} not read after the last trimming"
    widest = max(one.uncertainty_percent for one in report.as_left)
    if widest >= report.band_percent:
        return f"{undecided}, after {rounds}: no closer than ±{widest:.{rounded(widest)}f} % could be told"
    return f"{undecided}, after {rounds}: the uncertainty reaches over the edge; trim nearer to 0"


def _wrapped(here: Surroundings, text: str, *, indent: int = 9) -> None:
    import textwrap

    for line in textwrap.wrap(text, 80, subsequent_indent=" " * indent):
        write_line(here.out, line)
