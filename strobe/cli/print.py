"""`strobe print`: strobe discs and rim strips as vector PDF or SVG, in true millimetres."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.app import app
from strobe.cli.clips import parse_mains
from strobe.console import ExitStatus, Surroundings, settle, write_line
from strobe.errors import UsageError
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.printing import Paper, Stand

__all__ = ["disc", "strip"]

printing = typer.Typer(no_args_is_help=True)
app.add_typer(
    printing,
    name="print",
    help="Print a disc to lay on the platter, or a strip for its rim.\n\n\b\n"
    "Examples:\n  strobe print disc --to disc.pdf\n  strobe print strip --to strip.pdf --circumference 942.5",
)

To = Annotated[Path, typer.Option("--to", metavar="FILE", help="The file to write: .pdf or .svg.")]
Lamp = Annotated[
    str, typer.Option("--lamp", metavar="LAMP", help="The light: mains, or its flashes a second where known exactly.")
]
PaperName = Annotated[str, typer.Option("--paper", metavar="a4|letter", help="The paper.")]
ScaleText = Annotated[
    str | None,
    typer.Option("--scale", metavar="X,Y", help="What the rulers X and Y of a first print measure, in mm."),
]
Force = Annotated[bool, typer.Option("--force", help="Replace a file that is there already.")]


@printing.command("disc")
def disc(
    context: typer.Context,
    to: To,
    rpm: Annotated[
        list[str] | None,
        typer.Option(
            metavar="RPM", help="A speed that gets rings: 16, 33, 45, 78 or a number; repeatable.  [default: 33 45 78]"
        ),
    ] = None,
    mains: Annotated[
        list[str] | None,
        typer.Option(metavar="50|60", help="Mains frequency in Hz; repeatable.  [default: both]"),
    ] = None,
    lamp: Lamp = "mains",
    ring: Annotated[
        list[str] | None,
        typer.Option(
            metavar="N[:IN-OUT]",
            help="A ring by its count of bars, and by its radii in mm if wanted; repeatable.",
        ),
    ] = None,
    diameter: Annotated[
        float | None,
        typer.Option(parser=number, metavar="MM", help="Of the disc.  [default: the largest on one sheet]"),
    ] = None,
    inside: Annotated[
        float | None,
        typer.Option(
            parser=number,
            metavar="MM",
            help="Diameter of the middle without rings.  [default: 50, or more round a wide hole]",
        ),
    ] = None,
    spindle: Annotated[float, typer.Option(parser=number, metavar="MM", help="Diameter of the hole.")] = 7.24,
    paper: PaperName = "a4",
    scale: ScaleText = None,
    force: Force = False,
) -> None:
    """Draw a disc of strobe rings to lay on the platter.

    Each ring says at which speed its bars really stand still. A disc larger
    than the sheet is split into halves or quarters with flaps to glue.

    Every sheet has two rulers of 100 mm. Print at 100 %, measure both, and
    where they are not 100.0 mm print again with --scale and what they measure.
    A wrong scale changes the size of a disc, never its counts.

    \b
    Examples:
      strobe print disc --to disc.pdf
      strobe print disc --to disc.pdf --rpm 33 --rpm 45 --mains 50
      strobe print disc --to disc.svg --diameter 300 --paper letter
      strobe print disc --to disc.pdf --scale 99.2,98.9
      strobe print disc --to disc.pdf --ring 180:80-90 --ring 133:62-72
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.printing import parse_ring, parse_scale, print_disc

        _check_light(lamp, mains)
        asked = [parse_ring(text) for text in ring or ()]
        drawn = print_disc(
            to,
            rpms=rpm,
            mains_hz=_mains(mains or ["50", "60"]),
            flash_rate_hz=_flash_rate_hz(lamp),
            bars=[bars for bars, _ in asked],
            places_mm={bars: place for bars, place in asked if place is not None},
            diameter_mm=diameter,
            inside_mm=inside,
            spindle_mm=spindle,
            paper=paper,
            scale=None if scale is None else parse_scale(scale),
            force=force,
        )
        _say_files(here, drawn.files, drawn.sectors, drawn.paper)
        write_line(here.out, f"a disc {drawn.diameter_mm:g} mm across, from the outside inwards:")
        for one in drawn.rings:
            for stand in one.stands:
                place = f"{one.inner_mm:.1f} to {one.outer_mm:.1f} mm"
                write_line(here.out, f"  {one.bars:>4} bars  {place:<17}  {_still(stand)}")
        _say_advice(here, drawn.paper)
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe print disc"))


@printing.command("strip")
def strip(
    context: typer.Context,
    to: To,
    circumference: Annotated[
        float | None,
        typer.Option(
            parser=number, metavar="MM", help="Length round the rim, wrapped and measured; asked for if not given."
        ),
    ] = None,
    bars: Annotated[
        int | None,
        typer.Option(metavar="N", help="Bars round the rim; else the usual ring for speed and lamp."),
    ] = None,
    rpm: Annotated[str, typer.Option(metavar="RPM", help="Nominal speed: 16, 33, 45, 78 or a number.")] = "33",
    mains: Annotated[str | None, typer.Option(metavar="50|60", help="Mains frequency in Hz.")] = None,
    lamp: Lamp = "mains",
    height: Annotated[float, typer.Option(parser=number, metavar="MM", help="Height of the strip.")] = 10.0,
    paper: PaperName = "a4",
    scale: ScaleText = None,
    force: Force = False,
) -> None:
    """Draw a strip of bars to put round the platter's rim.

    Never on a rim that a belt or an idler runs on.

    Wrap a strip of the same paper round the rim, mark where it meets itself,
    lay it flat and measure: that is the circumference. Don't work it out from
    the diameter: half a millimetre there is 1.6 mm at the joint, a third of a
    bar. The strip is cut into rows with flaps to glue.

    Print at 100 %, measure both rulers on the sheet, and where they are not
    100.0 mm print again with --scale and what they measure.

    \b
    Examples:
      strobe print strip --to strip.pdf --circumference 942.5 --mains 50
      strobe print strip --to strip.pdf --circumference 942.5 --bars 180
      strobe print strip --to strip.svg --circumference 980 --rpm 45 --mains 60
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.printing import parse_scale, print_strip, strip_bars

        _check_light(lamp, mains)
        light: dict[str, Any] = {
            "rpm": rpm,
            "mains_hz": None if mains is None else _mains([mains])[0],
            "flash_rate_hz": _flash_rate_hz(lamp),
        }
        strip_bars(bars, **light)
        drawn = print_strip(
            to,
            circumference_mm=_asked_mm(here) if circumference is None else circumference,
            bars=bars,
            **light,
            height_mm=height,
            paper=paper,
            scale=None if scale is None else parse_scale(scale),
            force=force,
        )
        _say_files(here, drawn.files, drawn.rows[-1].sheet, drawn.paper)
        rows = f"{len(drawn.rows)} row{'s' * (len(drawn.rows) > 1)}"
        write_line(here.out, f"{drawn.bars} bars on {drawn.circumference_mm:g} mm, in {rows}:")
        for stand in drawn.stands:
            write_line(here.out, f"  {_still(stand)}")
        write_line(here.out, "Never on a rim that a belt or an idler wheel runs on.")
        _say_advice(here, drawn.paper)
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe print strip"))


def _mains(texts: Sequence[str]) -> tuple[float, ...]:
    return tuple(dict.fromkeys(float(hz) for text in texts if (hz := parse_mains(text)) is not None))


def _check_light(lamp: str, mains: object) -> None:
    if lamp != "mains" and mains is not None:
        raise UsageError(
            f"--lamp {lamp} takes the place of the mains, which --mains names as well; leave one of them out"
        )


def _flash_rate_hz(text: str) -> float | None:
    if text == "mains":
        return None
    try:
        rate_hz = number(text)
    except UsageError:
        rate_hz = 0.0
    if not 1.0 <= rate_hz <= 10_000.0:
        raise UsageError(f"--lamp: {text!r} is neither mains nor a number of flashes a second from 1 to 10000")
    return rate_hz


def _asked_mm(here: Surroundings) -> float:
    if not sys.stdin.isatty():
        raise UsageError(
            "--circumference is missing: wrap a strip of paper round the rim, mark where it meets itself, lay it flat, "
            "and give its length in mm"
        )
    here.err.write("Wrap a strip of paper round the rim and mark where it meets itself.\nIts length in mm: ")
    here.err.flush()
    text = sys.stdin.readline().strip()
    try:
        return number(text.removesuffix("mm"))
    except UsageError as error:
        raise UsageError(f"--circumference: {error}; give a number of millimetres") from None


def _say_files(here: Surroundings, files: Sequence[Path], sheets: int, paper: Paper) -> None:
    sheets_words = f"{sheets} sheet{'s' * (sheets > 1)} of {paper.title}"
    if len(files) == 1:
        write_line(here.out, f"wrote {files[0]}, {sheets_words}")
        return
    for file in files:
        write_line(here.out, f"wrote {file}")
    write_line(here.out, sheets_words)


def _still(stand: Stand) -> str:
    from strobe.printing import rpm_name

    lamp = f"{stand.flash_rate_hz:g} flashes/s" if stand.mains_hz is None else f"{stand.mains_hz:g} Hz"
    text = f"still at {stand.rpm:.2f} rpm, {lamp}"
    if stand.nominal_rpm is None or stand.off_percent is None or abs(stand.off_percent) < 0.005:
        return text
    return f"{text} ({stand.off_percent:+.2f} % of {rpm_name(stand.nominal_rpm, plain=True)})"


def _say_advice(here: Surroundings, paper: Paper) -> None:
    write_line(here.out, "Print at 100 %, not 'fit to page', and measure both rulers.")
    if (paper.scale.x_mm, paper.scale.y_mm) == (100.0, 100.0):
        write_line(here.out, "Not 100.0 mm? Print again with --scale X,Y, in mm, as in --scale 99.2,98.9")
