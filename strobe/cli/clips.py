"""What the commands share that measure: options, and clips measured one after the other."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.filing import gravest, show_outcome, status_of
from strobe.cli.kept import KeptValues
from strobe.console import ExitStatus, Surroundings, progress_bar, write_line
from strobe.errors import UsageError
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.drive.machine import Machine
    from strobe.measurement import Measurement

__all__ = [
    "CaptureRateOption",
    "DotsOption",
    "HighSpotOption",
    "LampOption",
    "MachineOption",
    "MainsOption",
    "RimOption",
    "RpmOption",
    "clip_options",
    "load_machine",
    "measured",
    "measuring_function",
    "parse_lamp",
    "parse_mains",
    "save_high_spot",
    "say_written",
]

RpmOption = Annotated[
    str | None, typer.Option("--rpm", metavar="RPM", help="Nominal speed: 16, 33, 45, 78 or a number.")
]
DotsOption = Annotated[int | None, typer.Option("--dots", metavar="N", help="Dots in the row, all round the rim.")]
MainsOption = Annotated[str | None, typer.Option("--mains", metavar="50|60", help="Mains frequency in Hz.")]
LampOption = Annotated[
    str,
    typer.Option(
        "--lamp",
        metavar="LAMP",
        help="The light: mains, once (a flash a mains cycle), steady, or its flashes a second where known exactly.",
    ),
]
CaptureRateOption = Annotated[
    float | None,
    typer.Option(
        "--capture-rate", parser=number, metavar="HZ", help="Pictures a second that a slow-motion clip was captured at."
    ),
]
RimOption = Annotated[
    float | None,
    typer.Option(
        "--rim-mm",
        "--rim",
        parser=number,
        metavar="MM",
        help="Diameter of the platter's rim at the dots, for millimetres.",
    ),
]
HighSpotOption = Annotated[
    Path | None,
    typer.Option("--high-spot", metavar="FILE", help="Save the still in which the rim's high spot is in front, .png."),
]
MachineOption = Annotated[
    Path | None, typer.Option("--machine", metavar="FILE", help="The machine's description (strobe machine).")
]


def load_machine(path: Path | None) -> Machine | None:
    """The machine described in a file; None where none is named."""
    if path is None:
        return None
    from strobe.drive.machine import read_machine

    return read_machine(path)


def _rim_mm(rim_mm: float | None, machine: Machine | None) -> float | None:
    """The diameter given, or that of the machine's platter."""
    if rim_mm is None:
        return None if machine is None else machine.platter_mm
    if not 50 <= rim_mm <= 500:
        raise UsageError(f"--rim-mm: {rim_mm:g} is not between 50 and 500 mm; measure across the platter at the dots")
    return rim_mm


def parse_mains(text: str | None) -> int | None:
    """The mains that an option names.

    Raises
    ------
    UsageError
        If it is neither 50 nor 60.
    """
    if text is None:
        return None
    if text not in ("50", "60"):
        raise UsageError(f"--mains: {text!r} is neither 50 nor 60, the two mains frequencies in Hz")
    return int(text)


def parse_lamp(text: str) -> str | float:
    """The lamp that an option names: a word for its kind, or its flashes a second.

    Raises
    ------
    UsageError
        If it is neither.
    """
    if text in ("mains", "once", "steady"):
        return text
    try:
        rate_hz = number(text)
    except UsageError:
        rate_hz = math.nan
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise UsageError(f"--lamp: {text!r} is none of: mains, once, steady, a number of flashes a second above 0")
    return rate_hz


def clip_options(
    rpm: str | None,
    dots: int | None,
    mains: str | None,
    lamp: str,
    machine: Machine | None = None,
    *,
    rim_mm: float | None = None,
    kept: KeptValues,
) -> dict[str, Any]:
    """The keyword arguments of `strobe.measure`, checked before any clip is opened.

    What was not given is taken from the machine where that tells it, and `kept` is what the configuration adds.

    Raises
    ------
    UsageError
        If one of them makes no sense.
    """
    from strobe.figures.rings import parse_rpm
    from strobe.measuring import check_options

    options: dict[str, Any] = {"rpm": rpm, "dots": dots, "mains": parse_mains(mains), "lamp": parse_lamp(lamp)}
    if machine is not None and mains is None and machine.mains_hz in (50, 60):
        options["mains"] = round(machine.mains_hz)
    if rpm is not None:
        parse_rpm(rpm)
    check_options(dots, options["mains"], options["lamp"], None, kept.options.get("mains_default"))
    diameter = _rim_mm(rim_mm, machine)
    return options | ({} if diameter is None else {"rim_mm": diameter}) | dict(kept.options)


def measuring_function(here: Surroundings) -> Callable[..., Measurement]:
    """`strobe.measure`, or what takes its place."""
    if here.measure is not None:
        return here.measure
    from strobe.measuring import measure

    return measure


def measured(
    clips: Sequence[Path], options: Mapping[str, Any], here: Surroundings, *, as_json: bool
) -> tuple[list[Measurement], ExitStatus]:
    """Measure clips; those that were refused or could not be read are told of, and the status says so."""
    from strobe.bench.many import measure_one
    from strobe.report.words import printable

    measure = measuring_function(here)
    done: list[Measurement] = []
    worst = ExitStatus.MEASURED
    for clip in clips:
        with progress_bar(here.err, label=printable(clip.name)) as tick:
            outcome = measure_one(measure, str(clip), options, tick)
        if outcome.measurement is None:
            show_outcome(outcome, here, as_json=as_json, gap=False)
            worst = gravest(worst, status_of(outcome))
        else:
            done.append(outcome.measurement)
    return done, worst


def say_written(here: Surroundings, *paths: Path | None, as_json: bool) -> None:
    """Name the files that were written, but for programs, which asked for JSON and nothing else."""
    for path in paths:
        if path is not None and not as_json:
            write_line(here.out, f"wrote {path}")


def save_high_spot(measurement: Measurement, path: Path, *, mirrored: bool = False) -> None:
    """Write the still in which the high spot of the rim stands in front of the camera.

    Raises
    ------
    UsageError
        If the reading tells of none, or the file cannot be written.
    """
    from strobe.measuring.still import high_spot_still
    from strobe.report.still import write_still

    still = high_spot_still(measurement, mirrored=mirrored)
    write_still(still.picture, (still.x_px, still.y_px), path)
