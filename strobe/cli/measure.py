"""`strobe measure`: options into a frozen request, one call of the library a clip, and the reading printed."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.app import app
from strobe.cli.clips import (
    CaptureRateOption,
    DotsOption,
    HighSpotOption,
    LampOption,
    MachineOption,
    MainsOption,
    RimOption,
    RpmOption,
    clip_options,
    save_high_spot,
    say_written,
)
from strobe.cli.filing import (
    AfterOption,
    AgainOption,
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
from strobe.cli.kept import CameraOption, ConfigOption, KeptValues, load_kept_values
from strobe.console import ExitStatus, Surroundings, progress_bar, settle
from strobe.errors import UsageError
from strobe.files import check_target
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.bench.limits import LimitSet
    from strobe.bench.many import Outcome
    from strobe.drive.machine import Machine

__all__ = ["MeasureRequest", "measure", "parse_view"]


@dataclass(frozen=True)
class MeasureRequest:
    """What `strobe measure` was asked for."""

    clips: tuple[str, ...]
    rpm: str | None
    dots: int | None
    mains: str | None
    lamp: str
    capture_rate_hz: float | None
    mirrored: bool
    view: str | None
    disc_mm: float | None
    rim_mm: float | None
    high_spot: Path | None
    as_json: bool
    csv: Path | None
    plot: Path | None
    sheet: Path | None
    table: Path | None
    workers: int
    limits: LimitSet | None
    machine: Machine | None
    filing: Filing
    kept: KeptValues

    @property
    def measure_options(self) -> dict[str, Any]:
        """The keyword arguments of `strobe.measure`."""
        common = clip_options(
            *(self.rpm, self.dots, self.mains, self.lamp, self.machine), rim_mm=self.rim_mm, kept=self.kept
        )
        return common | {
            "capture_rate_hz": self.capture_rate_hz,
            "mirrored": self.mirrored,
            "view": self.view,
            "disc_mm": self.disc_mm,
        }


@app.command("measure")
def measure(
    context: typer.Context,
    clips: Annotated[list[Path], typer.Argument(metavar="CLIP", hidden=True)],
    rpm: RpmOption = None,
    dots: DotsOption = None,
    mains: MainsOption = None,
    lamp: LampOption = "mains",
    capture_rate: CaptureRateOption = None,
    mirrored: Annotated[bool, typer.Option("--mirrored", help="The clip is a mirror image.")] = False,
    view: Annotated[
        str | None,
        typer.Option(
            metavar="rim|disc",
            help="Dots along a rim, or a printed disc from above; seen by itself, but for a disc mostly hidden.",
        ),
    ] = None,
    disc_mm: Annotated[
        float | None,
        typer.Option(
            parser=number, metavar="MM", help="Diameter of the paper disc, for its eccentricity in millimetres."
        ),
    ] = None,
    rim_mm: RimOption = None,
    high_spot: HighSpotOption = None,
    camera: CameraOption = None,
    config: ConfigOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object a clip and nothing else.")] = False,
    csv: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the speed over time as CSV (one clip only).")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Draw speed and its spectrum, .png or .svg (one clip only)."),
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Write the reading as a page, .html or .pdf (one clip only).")
    ] = None,
    table: Annotated[Path | None, typer.Option(metavar="FILE", help="Write CSV with one row a clip.")] = None,
    workers: Annotated[int, typer.Option(metavar="N", help="Measure N clips at once.")] = 1,
    limit: LimitOption = None,
    machine: MachineOption = None,
    job: JobOption = None,
    after: AfterOption = None,
    again: AgainOption = False,
    log: LogOption = None,
    running: RunningOption = None,
    platter: PlatterOption = None,
    stylus: StylusOption = None,
    pitch: PitchOption = None,
    light: LightOption = None,
    side: SideOption = None,
) -> None:
    """Measure speed, wow and flutter from clips.

    A CLIP is a video file as the camera wrote it, or a folder of them, with the
    row of dots on a platter's rim in the picture, or a printed disc from above.
    What is not given here is seen in the clip, or assumed, and the reading says
    which. A file named to be written replaces one that is there, but never a
    clip or a log.

    \b
    Examples:
      strobe measure clip.mp4
      strobe measure clip.mp4 --rpm 45 --dots 160 --mains 60
      strobe measure above.mp4 --view disc --disc-mm 190
      strobe measure clip.mp4 --rim-mm 305 --high-spot high.png
      strobe measure clip.mp4 --plot clip.png --csv clip.csv
      strobe measure before.mp4 after.mp4 --json
      strobe measure clips --workers 4 --json
      strobe measure clip.mp4 --limit din-45500
      strobe measure clip.mp4 --job "deck 7" --after "bearing oiled"

    \b
    Exit status: 0 measured (with limits: inside), 1 outside the limits, 5 too
    uncertain to say, 2 wrong usage, 3 refused (no figure could be trusted), 4
    not readable or not filed, 130 interrupted. Of several clips the gravest
    counts, in the order 4, 3, 1, 5, 0.
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.bench.many import clips_in

        filing = Filing(
            *(job, after, again, log),
            conditions=conditions_of(running, platter, stylus, pitch, light, side),
            settings={
                "rpm": rpm,
                "dots": dots,
                "mains": mains,
                "lamp": lamp,
                "capture_rate_hz": capture_rate,
                "mirrored": mirrored,
                "view": view,
                "disc_mm": disc_mm,
                "rim_mm": rim_mm,
                "camera": camera,
            },
            given=read_description(machine),
        )
        request = MeasureRequest(
            clips=clips_in([str(clip) for clip in clips]),
            rpm=rpm,
            dots=dots,
            mains=mains,
            lamp=lamp,
            capture_rate_hz=capture_rate,
            mirrored=mirrored,
            view=parse_view(view),
            disc_mm=disc_mm,
            rim_mm=rim_mm,
            high_spot=high_spot,
            as_json=as_json,
            csv=csv,
            plot=plot,
            sheet=sheet,
            table=table,
            workers=workers,
            limits=load_limits(limit, config),
            machine=filing.machine(),
            filing=filing,
            kept=load_kept_values(config, camera),
        )
        _check(request)
        filing = filing.checked(here)
        return _measure_clips(replace(request, filing=filing, machine=filing.machine()), here)

    raise typer.Exit(settle(work, here, command="strobe measure"))


def parse_view(text: str | None) -> str | None:
    """What an option says is seen.

    Raises
    ------
    UsageError
        If it is neither a rim nor a disc.
    """
    if text not in (None, "rim", "disc"):
        raise UsageError(f"--view: {text!r} is neither rim, for dots along a rim, nor disc, for a disc from above")
    return text


def _check(request: MeasureRequest) -> None:
    """Refuse what can't be done before anything is asked or measured."""
    from strobe.report.handover_files import check_sheet_target
    from strobe.report.plot import check_plot_target
    from strobe.report.still import check_still_target

    options = request.measure_options
    if options["view"] == "rim" and options["disc_mm"] is not None:
        raise UsageError("--disc-mm is of a paper disc, and --view rim says that none is seen; leave one of them out")
    sources = set(map(os.path.realpath, request.clips))
    named = {
        "--csv": request.csv,
        "--plot": request.plot,
        "--sheet": request.sheet,
        "--high-spot": request.high_spot,
        "--table": request.table,
    }
    for option, path in named.items():
        if path is None:
            continue
        if len(request.clips) > 1 and option != "--table":
            raise UsageError(
                f"{option} takes one clip, but there are {len(request.clips)} and one file cannot hold them "
                "all; measure them one by one, or use --json for all at once"
            )
        if os.path.realpath(path) in sources:
            raise UsageError(f"{option}: {path} is the clip itself; name another file")
        check_target(path, option=option)
    if request.plot is not None:
        check_plot_target(request.plot)
    if request.high_spot is not None:
        check_still_target(request.high_spot)
    if request.sheet is not None:
        check_sheet_target(request.sheet, option="--sheet")
    taken: dict[str, str] = {}
    for option, path in named.items():
        if path is not None and (other := taken.setdefault(os.path.realpath(path), option)) != option:
            raise UsageError(f"{other} and {option} both name {path}; name two files")


def _measure_clips(request: MeasureRequest, here: Surroundings) -> ExitStatus:
    from strobe.bench.many import measure_many
    from strobe.report.job_tables import clip_row, write_rows
    from strobe.report.words import printable

    count = len(request.clips)
    label = printable(Path(request.clips[0]).name) if count == 1 else f"{count} clips"
    ticks: list[Callable[[float, float | None], None] | None] = [None]

    def tick(done: float, total: float | None) -> None:
        if ticks[0] is not None:
            ticks[0](done, total)

    outcomes = measure_many(
        request.clips,
        options=request.measure_options,
        workers=request.workers,
        measure=here.measure,
        progress=tick if here.err.isatty() else None,
    )
    worst, rows = ExitStatus.MEASURED, []
    for place in range(count):
        with progress_bar(here.err, label=label) as ticks[0]:
            outcome = next(outcomes)
        outcome, status = _finish(outcome, request, here, gap=place > 0)
        rows.append(clip_row(outcome, status))
        worst = gravest(worst, status)
    if request.table is not None:
        write_rows(rows, None, request.table)
        say_written(here, request.table, as_json=request.as_json)
    return worst


def _finish(outcome: Outcome, request: MeasureRequest, here: Surroundings, *, gap: bool) -> tuple[Outcome, ExitStatus]:
    """Judge, print, write and file one clip."""
    from strobe.bench.limits import with_verdict
    from strobe.report import tables
    from strobe.report.plot import write_plot

    if outcome.measurement is not None and request.limits is not None:
        outcome = replace(outcome, measurement=with_verdict(outcome.measurement, request.limits))
    if outcome.measurement is not None and request.machine is not None:
        outcome = replace(outcome, measurement=name_suspects(outcome.measurement, request.machine))
    show_outcome(
        outcome,
        here,
        as_json=request.as_json,
        gap=gap,
        sources=request.kept.sources,
        filed=request.filing.job is not None,
    )
    status = status_of(outcome)
    measurement = outcome.measurement
    if measurement is None:
        return outcome, status
    if request.csv is not None:
        tables.write_csv(measurement.series, request.csv)
    if request.plot is not None:
        write_plot(measurement, request.plot)
    if request.high_spot is not None:
        save_high_spot(measurement, request.high_spot, mirrored=request.mirrored)
    if request.sheet is not None:
        from strobe.report.handover import handover_of_clip
        from strobe.report.handover_files import write_sheet

        write_sheet(
            handover_of_clip(measurement, limits=request.limits, conditions=request.filing.conditions), request.sheet
        )
    say_written(here, request.csv, request.plot, request.high_spot, request.sheet, as_json=request.as_json)
    if not request.filing.file(outcome.clip, measurement, here, aside=request.as_json):
        status = gravest(status, ExitStatus.UNREADABLE)
    return outcome, status
