"""`strobe watch`: every clip that arrives in a folder is measured."""

from __future__ import annotations

from dataclasses import replace
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
    measuring_function,
)
from strobe.cli.filing import (
    AfterOption,
    Filing,
    JobOption,
    LightOption,
    LimitOption,
    LogOption,
    PitchOption,
    PlatterOption,
    RunningOption,
    SideOption,
    StylusOption,
    conditions_of,
    gravest,
    load_limits,
    name_suspects,
    read_description,
    show_outcome,
    status_of,
)
from strobe.cli.kept import CameraOption, ConfigOption, load_kept_values
from strobe.console import ExitStatus, Surroundings, complain, progress_bar, settle
from strobe.errors import UsageError
from strobe.typed import number

__all__ = ["watch"]

MOST_S = 86_400.0
"""A day: the longest that an option may ask to wait; our own choice."""


@app.command("watch")
def watch(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", show_default=False, help="Where the clips arrive.")],
    present: Annotated[bool, typer.Option("--present", help="Measure the clips that are there already, too.")] = False,
    count: Annotated[int | None, typer.Option("--count", metavar="N", help="End after N clips; else go on.")] = None,
    still: Annotated[
        float, typer.Option("--still", parser=number, metavar="S", help="Seconds for which a clip must not grow.")
    ] = 3.0,
    patience: Annotated[
        float,
        typer.Option(
            "--patience", parser=number, metavar="S", help="Seconds after which an unreadable clip is given up."
        ),
    ] = 60.0,
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    machine: MachineOption = None,
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a clip and nothing else.")] = False,
    limit: LimitOption = None,
    job: JobOption = None,
    after: AfterOption = None,
    log: LogOption = None,
    running: RunningOption = None,
    platter: PlatterOption = None,
    stylus: StylusOption = None,
    pitch: PitchOption = None,
    light: LightOption = None,
    side: SideOption = None,
) -> None:
    """Measure every clip that arrives in a folder, such as a phone's.

    A clip counts as arrived when it has stopped growing and can be read. End
    it with Ctrl-C.

    \b
    Examples:
      strobe watch ~/Phone
      strobe watch ~/Phone --job "deck 7" --after "bearing oiled"

    \b
    Exit status: 130 ended with Ctrl-C, 4 the folder went away; with --count, as
    measure has it.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.bench.limits import with_verdict
        from strobe.bench.many import measure_one
        from strobe.bench.watching import Arrivals
        from strobe.report.words import printable

        for option, seconds in (("--still", still), ("--patience", patience)):
            if not 0 <= seconds <= MOST_S:
                raise UsageError(f"{option}: {seconds:g} s is outside 0 to {MOST_S:g} s")
        if count is not None and count < 1:
            raise UsageError(f"--count: {count} is below 1; leave it out to go on until Ctrl-C")
        limits = load_limits(limit, config)
        kept = load_kept_values(config, camera)
        clip_options(rpm, dots, mains, lamp, kept=kept)
        filing = Filing(
            *(job, after, False, log),
            conditions=conditions_of(running, platter, stylus, pitch, light, side),
            settings={"rpm": rpm, "dots": dots, "mains": mains, "lamp": lamp, "camera": camera},
            given=read_description(machine),
        ).checked(here)
        described = filing.machine()
        options = clip_options(rpm, dots, mains, lamp, described, kept=kept)
        arrivals = Arrivals(folder, present_too=present, still_s=still, patience_s=patience)
        measure = measuring_function(here)
        complain(here.err, f"{printable(str(folder))}; end with Ctrl-C", head="watching ")
        worst, done = ExitStatus.MEASURED, 0
        for path in arrivals:
            with progress_bar(here.err, label=printable(path.name)) as tick:
                outcome = measure_one(measure, str(path), options, tick)
            if outcome.unreadable is not None and arrivals.try_later(path):
                continue
            if outcome.measurement is not None:
                measurement = name_suspects(outcome.measurement, described)
                judged = measurement if limits is None else with_verdict(measurement, limits)
                outcome = replace(outcome, measurement=judged)
            show_outcome(
                outcome, here, as_json=as_json, gap=done > 0, sources=kept.sources, filed=filing.job is not None
            )
            worst = gravest(worst, status_of(outcome))
            if outcome.measurement is not None and not filing.file(
                outcome.clip, outcome.measurement, here, aside=as_json
            ):
                worst = gravest(worst, ExitStatus.UNREADABLE)
            if outcome.measurement is not None:
                # The machine runs on while clips arrive: what was said of its minutes held for the first one.
                filing = replace(filing, conditions=filing.conditions.lasting)
            done += 1
            if count is not None and done >= count:
                break
        return worst

    raise typer.Exit(settle(work, here, command="strobe watch"))
