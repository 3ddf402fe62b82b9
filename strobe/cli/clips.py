"""What the commands share that measure: options, and clips measured one after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.cli.filing import gravest, show_outcome, status_of
from strobe.console import ExitStatus, Surroundings, progress_bar

if TYPE_CHECKING:
    from strobe.drive.machine import Machine
    from strobe.measurement import Measurement

__all__ = [
    "CaptureRateOption",
    "DotsOption",
    "LampOption",
    "MachineOption",
    "MainsOption",
    "RpmOption",
    "clip_options",
    "load_machine",
    "measured",
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
    typer.Option("--capture-rate", metavar="HZ", help="Pictures a second that a slow-motion clip was captured at."),
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


def clip_options(
    rpm: str | None, dots: int | None, mains: str | None, lamp: str, machine: Machine | None = None
) -> dict[str, Any]:
    """The keyword arguments of `strobe.measure`; what was not given is taken from the machine where that tells it.

    Raises
    ------
    UsageError
        If the mains or the lamp make no sense.
    """
    from strobe.cli.measure import parse_lamp, parse_mains

    options: dict[str, Any] = {"rpm": rpm, "dots": dots, "mains": parse_mains(mains), "lamp": parse_lamp(lamp)}
    if machine is not None and mains is None and machine.mains_hz in (50, 60):
        options["mains"] = round(machine.mains_hz)
    return options


def measured(
    clips: Sequence[Path], options: Mapping[str, Any], here: Surroundings, *, as_json: bool
) -> tuple[list[Measurement], ExitStatus]:
    """Measure clips; those that were refused or could not be read are told of, and the status says so."""
    from strobe.bench.many import measure_one
    from strobe.report.words import printable

    measure = here.measure
    if measure is None:
        from strobe.measuring import measure as measure_file

        measure = measure_file
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
