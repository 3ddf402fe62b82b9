"""`strobe machine`: what a machine's parts would show at each speed, and questions that make its description."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from strobe.cli.app import app
from strobe.console import ExitStatus, Surroundings, complain, say, settle, write_line
from strobe.errors import UsageError
from strobe.files import check_target, write_whole
from strobe.typed import number, several

__all__ = ["machine"]


@app.command("machine")
def machine(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", hidden=True)],
    new: Annotated[bool, typer.Option("--new", help="Ask for the machine's parts and write FILE.")] = False,
    fps: Annotated[
        float, typer.Option(parser=number, metavar="HZ", help="Pictures a second of the clips to come.")
    ] = 30.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")] = False,
) -> None:
    """Show at what rate each part of a machine would wobble.

    FILE is a machine's description (TOML): kind of drive, diameters, belt,
    motor, as far as they are known. --new asks for them and writes it.

    \b
    Examples:
      strobe machine deck.toml --new
      strobe machine deck.toml
      strobe suspects clip.mp4 --machine deck.toml
    """
    here: Surroundings = context.obj

    def work() -> ExitStatus:
        from strobe.drive.machine import read_machine
        from strobe.report.machine import machine_json, machine_text

        if not 5 <= fps <= 2000:
            raise UsageError(f"--fps: {fps:g} is not between 5 and 2000 pictures a second")
        if new:
            _make(file, here)
        described = read_machine(file)
        if as_json:
            write_line(here.out, machine_json(described, frame_rate_hz=fps))
        else:
            say(here.out, machine_text(described, frame_rate_hz=fps))
        return ExitStatus.MEASURED

    raise typer.Exit(settle(work, here, command="strobe machine"))


def _make(path: Path, here: Surroundings) -> None:
    """Ask for everything that the kind of drive has, again where an answer makes no sense, and write the file."""
    from strobe.drive.machine import DRIVES, machine_toml, parse_machine
    from strobe.report.machine import QUESTIONS

    check_target(path, option="machine")
    if path.exists():
        raise UsageError(f"{path} is there already; change it by hand, or name another file")
    here.err.write("What is known of the machine; just Enter where it is not, but for the drive.\n")
    values: dict[str, Any] = {}
    while (drive := _ask(f"Drive: {', '.join(DRIVES)}?", here).lower()) not in DRIVES:
        here.err.write(f"  {drive!r} is none of {', '.join(DRIVES)}\n")
    values["drive"] = drive
    for question in QUESTIONS:
        if values["drive"] not in question.drives:
            continue
        while answer := _ask(question.words, here):
            try:
                given = values | {question.name: _value(question.name, answer)}
                parse_machine(given)
            except UsageError as error:
                complain(here.err, str(error), head="  ")
                continue
            values = given
            break
    content = machine_toml(parse_machine(values)).encode()
    write_whole(path, content)


def _ask(words: str, here: Surroundings) -> str:
    here.err.write(f"{words} ")
    here.err.flush()
    answer = sys.stdin.readline()
    if not answer:
        raise KeyboardInterrupt
    return answer.strip()


def _value(name: str, answer: str) -> Any:
    """What the file would hold for an answer."""
    if name in ("name", "motor"):
        return answer if name == "name" else answer.lower()
    if name == "sprung":
        return {"yes": True, "y": True, "no": False, "n": False}.get(answer.lower(), answer)
    if name == "speeds_rpm":
        return several(answer)
    if name == "dots":
        return [_number(name, item) for item in several(answer)]
    if name == "pulley_mm":
        pairs = [item.partition("=") for item in answer.replace(":", "=").split()]
        if not all(equals for _, equals, _ in pairs):
            raise UsageError(f"{name}: {answer!r} does not say at which speed; write it as in 33=20.8")
        return {speed: _number(name, diameter) for speed, _, diameter in pairs}
    return _number(name, answer)


def _number(name: str, text: str) -> float:
    try:
        return number(text)
    except UsageError as error:
        raise UsageError(f"{name}: {error}") from None
