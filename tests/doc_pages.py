"""The documents as the tests read them: pages, examples with their marks, and how shown output is compared.

A mark is a comment just above an example:

- ``<!-- slow -->``: it is run by the slow tests only;
- ``<!-- status N -->``: the command ends with this exit status;
- ``<!-- not run: reason -->``: it needs what a test has not; its commands are only held against the options there are;
- ``<!-- file NAME -->``: what the block holds is a file of this name in the folder that the examples run in.

A block in ``text`` is what the example before it prints, where ``...`` stands for anything.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from strobe.report.turns import RAMP

__all__ = ["PAGES", "ROOT", "Example", "argv_of", "commands", "examples", "inline_commands", "parse", "prints_as_shown"]

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])

_MARK = re.compile(r"<!--\s*(.+?)\s*-->")
_NUMBER = re.compile(r"(?<![\w.])[+-]?\d+\.\d+(?![\w.])")
_MAP_LINE = re.compile(rf"\s*\d+  ([{re.escape(RAMP)}]{{20,}})")


@dataclass(frozen=True)
class Example:
    """One block of a page in a language; `printed` is what the page shows of its output, None where it shows none."""

    page: Path
    line: int
    language: str
    text: str
    marks: tuple[str, ...]
    printed: str | None = None

    def mark(self, name: str) -> str | None:
        """What a mark says after its name, empty where it says nothing more; None where the mark is not there."""
        for mark in self.marks:
            word, _, rest = mark.partition(" ")
            if word.rstrip(":") == name or mark.startswith(f"{name}:"):
                return rest
        return None


def examples(page: Path) -> list[Example]:
    """The blocks of a page in their order, each with what it prints."""
    found: list[Example] = []
    marks: list[str] = []
    lines = iter(enumerate(page.read_text(encoding="utf-8").splitlines(), start=1))
    for number, line in lines:
        if mark := _MARK.fullmatch(line.strip()):
            marks.append(mark[1])
        elif line.startswith("```"):
            language = line[3:].strip()
            body = []
            for _, inner in lines:
                if inner.startswith("```"):
                    break
                body.append(inner)
            text = "\n".join(body)
            if language == "text":
                before = found.pop()
                assert before.printed is None, f"{page.name}:{number}: two outputs of one example"
                found.append(Example(*(before.page, before.line, before.language, before.text, before.marks), text))
            else:
                found.append(Example(page, number, language, text, tuple(marks)))
            marks = []
        else:
            marks = []
    return found


def commands(example: Example) -> Iterator[list[str]]:
    """The commands of a block of shell lines."""
    for line in example.text.replace("\\\n", " ").splitlines():
        for part in line.split("&&"):
            if words := shlex.split(part, comments=True):
                yield words


def argv_of(words: Sequence[str]) -> list[str] | None:
    """The arguments of a command of this program; None for another program's."""
    return list(words[1:]) if words[0].removeprefix(".venv/bin/") == "strobe" else None


def inline_commands(page: Path) -> Iterator[list[str]]:
    """Commands of this program that stand in running text."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    for code in re.findall(r"`(strobe [^`]+)`", text):
        yield shlex.split(code)[1:]


def parse(argv: Sequence[str]) -> None:
    """Hold a command line against the commands and options there are, without running it.

    Raises
    ------
    AssertionError
        An unknown command.
    typer's usage error
        An unknown option, a value of the wrong kind, or something missing.
    """
    import typer

    from strobe.cli import app

    command: Any = typer.main.get_command(app)
    words = list(argv)
    while words and not words[0].startswith("-") and hasattr(command, "commands"):
        assert words[0] in command.commands, f"there is no command {' '.join(argv)!r}"
        command = command.commands[words.pop(0)]
    if hasattr(command, "commands"):
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("-")} <= known | {"--help", "-h"}, words
        return
    if "--help" not in words:
        command.make_context(command.name, words)


def prints_as_shown(shown: str, printed: str) -> bool:
    """Whether what was printed is what a page shows.

    A line ``...`` stands for any lines, ``...`` in a line for any text, and spaces for any spaces. The last decimal of
    a number may differ by one, and a sign of a turn map by one step, since a value may be rounded to either side.
    """
    wanted, got = [line.rstrip() for line in shown.splitlines()], [line.rstrip() for line in printed.splitlines()]
    reached = {0}
    for line in wanted:
        if line == "...":
            reached = set(range(min(reached), len(got) + 1)) if reached else set()
        else:
            reached = {place + 1 for place in reached if place < len(got) and _like(line, got[place])}
    return len(got) in reached


def _like(shown: str, printed: str) -> bool:
    ours, theirs = _MAP_LINE.fullmatch(shown), _MAP_LINE.fullmatch(printed)
    if ours and theirs:
        steps = zip(ours[1].ljust(80), theirs[1].ljust(80), strict=True)
        return all(abs(RAMP.index(a) - RAMP.index(b)) <= 1 for a, b in steps)
    pattern, place, numbers = "", 0, []
    for number in _NUMBER.finditer(shown):
        pattern += _escaped(shown[place : number.start()]) + r"([+-]?\d+\.\d+)"
        numbers.append(number[0])
        place = number.end()
    found = re.fullmatch(pattern + _escaped(shown[place:]), printed)
    return found is not None and all(map(_rounded_alike, numbers, found.groups()))


def _escaped(text: str) -> str:
    return re.sub(r"(?:\\ )+", r"\\s+", re.escape(text).replace(r"\.\.\.", ".*"))


def _rounded_alike(shown: str, printed: str) -> bool:
    decimals = len(shown.partition(".")[2])
    same_form = len(printed.partition(".")[2]) == decimals
    return same_form and abs(float(shown) - float(printed)) < 1.5 * 10**-decimals
