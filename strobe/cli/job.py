"""`strobe job`: the bench log, its jobs from as found to hand-over. What writes and reads files is in `job_files`."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.app import app
from strobe.cli.clips import measuring_function
from strobe.cli.filing import (
    LimitOption,
    LogOption,
    described_machine,
    load_limits,
    name_suspects,
    read_description,
)
from strobe.cli.kept import ConfigOption
from strobe.console import ExitStatus, Surroundings, progress_bar, say, settle, write_line

if TYPE_CHECKING:
    from strobe.bench import BenchLog, JobSummary
    from strobe.measurement import Measurement

__all__ = ["NameArgument", "job_app", "with_log"]

job_app = typer.Typer(no_args_is_help=True)
app.add_typer(job_app, name="job")

NameArgument = Annotated[str, typer.Argument(metavar="NAME", show_default=False, help="The job's name.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]
MachineOption = Annotated[
    Path | None, typer.Option("--machine", metavar="FILE", help="Description of the machine, a TOML file.")
]
ReportedOption = Annotated[str | None, typer.Option("--reported", metavar="TEXT", help="What the owner reported.")]


@job_app.callback()
def _job() -> None:
    """Keep a bench log: readings, repairs, and whether they helped.

    \b
    Example, from as found to hand-over:
      strobe job open "deck 7" --reported "wobbles when warm"
      strobe measure a.mp4 b.mp4 c.mp4 --job "deck 7"
      strobe measure d.mp4 e.mp4 f.mp4 --job "deck 7" --after "idler cleaned"
      strobe job compare "deck 7"
      strobe job sheet "deck 7" --to deck-7.html --limit din-45500
    """


def with_log(
    context: typer.Context,
    command: str,
    log: Path | None,
    work: Callable[[BenchLog, Surroundings], None],
    *,
    must_exist: bool = True,
) -> None:
    """Do the work of a command below ``job`` with the log open, which must be there already or is made."""
    here: Surroundings = context.obj

    def run() -> ExitStatus:
        from strobe.bench import open_log

        with open_log(log, must_exist=must_exist) as opened:
            work(opened, here)
        return ExitStatus.MEASURED

    raise typer.Exit(settle(run, here, command=f"strobe job {command}"))


@job_app.command("open")
def open_(
    context: typer.Context,
    name: NameArgument,
    machine: MachineOption = None,
    reported: ReportedOption = None,
    log: LogOption = None,
) -> None:
    """Open a job for a machine.

    \b
    Examples:
      strobe job open "deck 7" --reported "wobbles when warm"
      strobe job open "deck 7" --machine deck.toml
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.report.comparing import one_line

        opened.open_job(name, machine=read_description(machine), reported=reported or "")
        write_line(here.out, f"opened {one_line(name)}")

    with_log(context, "open", log, work, must_exist=False)


@job_app.command("list")
def list_(context: typer.Context, as_json: JsonOption = False, log: LogOption = None) -> None:
    """List all jobs.

    \b
    Example: strobe job list
    """

    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.bench import default_log_path, open_log
        from strobe.report.job_tables import job_list_json
        from strobe.report.jobs import job_list_text

        path = default_log_path() if log is None else log
        jobs: tuple[JobSummary, ...] = ()
        # Where no job was ever opened there is none to list; a file that was named must be there.
        if log is not None or os.path.exists(path):
            with open_log(path, must_exist=True) as opened:
                jobs = opened.jobs()
        if as_json:
            write_line(here.out, job_list_json(jobs))
        else:
            say(here.out, job_list_text(jobs))
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe job list"))


@job_app.command("show")
def show(
    context: typer.Context,
    name: NameArgument,
    limit: LimitOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
    log: LogOption = None,
) -> None:
    """Show a job's machine, history and progress.

    With limits it tells whether the machine is inside them and whether a
    further repair is worth it.

    \b
    Examples:
      strobe job show "deck 7"
      strobe job show "deck 7" --limit din-45500
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.report.job_tables import job_json
        from strobe.report.jobs import job_text

        limits, job = load_limits(limit, config), opened.job(name)
        if as_json:
            write_line(here.out, job_json(job, limits=limits))
        else:
            say(here.out, job_text(job, limits=limits))

    with_log(context, "show", log, work)


@job_app.command("note")
def note(
    context: typer.Context,
    name: NameArgument,
    text: Annotated[str, typer.Argument(metavar="TEXT", show_default=False, help="What to note.")],
    repair: Annotated[
        bool, typer.Option("--repair", help="It is a repair: later readings stand under it. Else a remark.")
    ] = False,
    log: LogOption = None,
) -> None:
    """Note a remark, or a repair that was done.

    \b
    Examples:
      strobe job note "deck 7" "bearing oiled" --repair
      strobe job note "deck 7" "owner wants it back by Friday"
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        opened.note(name, text, repair=repair)
        write_line(here.out, "noted as a repair; readings from now on stand under it" if repair else "noted")

    with_log(context, "note", log, work)


@job_app.command("describe")
def describe(
    context: typer.Context,
    name: NameArgument,
    machine: MachineOption = None,
    reported: ReportedOption = None,
    log: LogOption = None,
) -> None:
    """Describe the machine, or what the owner reported, anew.

    \b
    Example: strobe job describe "deck 7" --machine deck.toml
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        opened.describe(name, machine=read_description(machine), reported=reported or "")
        write_line(here.out, "described; the earlier wording stays in the log")

    with_log(context, "describe", log, work)


@job_app.command("close")
def close(context: typer.Context, name: NameArgument, log: LogOption = None) -> None:
    """Close a job that is done.

    \b
    Example: strobe job close "deck 7"
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        opened.close_job(name)
        write_line(here.out, "closed")

    with_log(context, "close", log, work)


@job_app.command("reopen")
def reopen(context: typer.Context, name: NameArgument, log: LogOption = None) -> None:
    """Open a closed job again.

    \b
    Example: strobe job reopen "deck 7"
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        opened.reopen_job(name)
        write_line(here.out, "open again")

    with_log(context, "reopen", log, work)


@job_app.command("compare")
def compare(
    context: typer.Context,
    name: NameArgument,
    before: Annotated[
        int | None, typer.Option("--before", metavar="N", help="State before: 0 as found, n after the n-th repair.")
    ] = None,
    after: Annotated[
        int | None, typer.Option("--after", metavar="N", help="State after; else the last one read.")
    ] = None,
    as_json: JsonOption = False,
    log: LogOption = None,
) -> None:
    """Tell whether a repair helped.

    Two states are compared, figure by figure: those before and after the last
    repair, or any two.

    \b
    Examples:
      strobe job compare "deck 7"
      strobe job compare "deck 7" --before 0 --after 2
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.bench.comparison import compare as compare_states
        from strobe.report.comparing import comparison_text
        from strobe.report.job_tables import plain_json

        comparison = compare_states(opened.job(name), before=before, after=after)
        if as_json:
            write_line(here.out, plain_json(comparison.to_dict()))
        else:
            say(here.out, comparison_text(comparison))

    with_log(context, "compare", log, work)


@job_app.command("limits")
def limits(context: typer.Context, as_json: JsonOption = False) -> None:
    """List the limits that --limit knows, with their sources.

    \b
    Example: strobe job limits
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.report.job_tables import limits_json
        from strobe.report.judging import limits_text

        if as_json:
            write_line(here.out, limits_json())
        else:
            say(here.out, limits_text())
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe job limits"))


@job_app.command("demo")
def demo(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the sample clips are.")] = Path(
        "sample_clips"
    ),
    name: Annotated[str, typer.Option("--name", metavar="NAME", help="Name of the job.")] = "demo (invented)",
    log: LogOption = None,
) -> None:
    """Replay the invented bench story of the sample clips into a job.

    It measures the clips, files them under their repairs, and says what to
    try next: the comparison and the hand-over sheet.

    \b
    Example:
      strobe job demo
      strobe job compare "demo (invented)" --before 0
      strobe job sheet "demo (invented)" --to demo.html --limit din-45500
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.bench.story import MACHINE, replay_story
        from strobe.report.jobs import job_text, name_argument
        from strobe.report.words import printable

        machine = described_machine(MACHINE)

        measure = measuring_function(here)

        def measure_and_name(clip: Path, **options: Any) -> Measurement:
            return name_suspects(measure(clip, **options), machine)

        with progress_bar(here.err, label=printable(str(folder))) as tick:
            replay_story(opened, folder, name=name, measure=measure_and_name, progress=tick)
        say(here.out, job_text(opened.job(name)))
        write_line(here.out, f"Its sheet: strobe job sheet {name_argument(name)} --to demo.html --limit din-45500")

    with_log(context, "demo", log, work, must_exist=False)
