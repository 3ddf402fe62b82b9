"""`strobe job` with files: the hand-over sheet, a job carried to another bench, a copy of the log, a table."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from strobe.cli.filing import LimitOption, LogOption, load_limits
from strobe.cli.job import NameArgument, job_app, with_log
from strobe.cli.kept import ConfigOption
from strobe.console import Surroundings, write_line
from strobe.errors import UsageError
from strobe.files import check_target, write_whole

if TYPE_CHECKING:
    from strobe.bench import BenchLog

__all__ = ["backup", "csv", "export", "import_", "sheet"]

ToOption = Annotated[
    Path, typer.Option("--to", metavar="FILE", help="The file to write; one that is there is replaced.")
]


@job_app.command("sheet")
def sheet(
    context: typer.Context,
    name: NameArgument,
    to: ToOption,
    limit: LimitOption = None,
    config: ConfigOption = None,
    log: LogOption = None,
) -> None:
    """Write the hand-over sheet, an .html page or a .pdf.

    The page holds all its pictures and loads nothing from elsewhere.

    \b
    Examples:
      strobe job sheet "deck 7" --to deck-7.html
      strobe job sheet "deck 7" --to deck-7.pdf --limit din-45500
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.report.handover import handover_of
        from strobe.report.handover_files import check_sheet_target, write_sheet

        check_sheet_target(to, option="--to")
        write_sheet(handover_of(opened.job(name), limits=load_limits(limit, config)), to)
        write_line(here.out, f"wrote {to}")

    with_log(context, "sheet", log, work)


@job_app.command("export")
def export(context: typer.Context, name: NameArgument, to: ToOption, log: LogOption = None) -> None:
    """Write a whole job into one file, to import it at another bench.

    \b
    Example: strobe job export "deck 7" --to deck-7.job
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.bench.exchange import job_to_bytes

        _check_target(to, opened)
        content = job_to_bytes(opened.job(name))
        write_whole(to, content)
        write_line(here.out, f"wrote {to}")

    with_log(context, "export", log, work)


@job_app.command("import")
def import_(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", show_default=False, help="A file that export wrote.")],
    name: Annotated[str | None, typer.Option("--name", metavar="NAME", help="Name of the job here.")] = None,
    log: LogOption = None,
) -> None:
    """Read a job from a file that export wrote.

    \b
    Example: strobe job import deck-7.job --name "deck 7 again"
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.bench.exchange import read_job_file
        from strobe.report.comparing import one_line

        job = read_job_file(file)
        known_as = name if name is not None else job.name
        opened.add_whole_job(job, name=known_as)
        count = len(job.readings)
        write_line(here.out, f"imported {one_line(known_as)}, {count} reading{'s' * (count != 1)}")

    with_log(context, "import", log, work, must_exist=False)


@job_app.command("backup")
def backup(context: typer.Context, to: ToOption, log: LogOption = None) -> None:
    """Copy the whole log into one file, safely while it is in use.

    \b
    Example: strobe job backup --to bench-log-copy.sqlite3
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        opened.backup(to)
        write_line(here.out, f"wrote {to}; use it with --log {to}")

    with_log(context, "backup", log, work)


@job_app.command("csv")
def csv(context: typer.Context, name: NameArgument, to: ToOption, log: LogOption = None) -> None:
    """Write a job's readings as CSV, one row a reading.

    \b
    Example: strobe job csv "deck 7" --to deck-7.csv
    """

    def work(opened: BenchLog, here: Surroundings) -> None:
        from strobe.report.job_tables import write_job_csv

        _check_target(to, opened)
        write_job_csv(opened.job(name), to)
        write_line(here.out, f"wrote {to}")

    with_log(context, "csv", log, work)


def _check_target(to: Path, opened: BenchLog) -> None:
    if os.path.realpath(to) == os.path.realpath(opened.path):
        raise UsageError(f"--to: {to} is the log itself; name another file")
    check_target(to, option="--to")
