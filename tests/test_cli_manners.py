"""Manners of the command line: help of every command, examples that hold, typos, completion, and the first greeting."""

from __future__ import annotations

import io
import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from doc_pages import parse
from messages import check_lines, flat
from test_cli import Terminal

from strobe.cli import ExitStatus, app, run
from strobe.console import complain


def every_command(command: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    yield path
    for name, inner in getattr(command, "commands", {}).items():
        yield from every_command(inner, (*path, name))


COMMANDS = list(every_command(typer.main.get_command(app)))


def strobe(*argv: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    return run(argv, out=out, err=err), out.getvalue(), check_lines(err)


@pytest.mark.parametrize("path", COMMANDS, ids=" ".join)
def test_help_fits_80_columns_with_an_example_that_parses(
    path: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, err = strobe(*path, "--help")
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    given = re.search(r"^ +Example.*?:(.*?)\n\n", out, flags=re.MULTILINE | re.DOTALL)
    assert given is not None
    shown = re.findall(r"^ +strobe (.+)$", given[1], flags=re.MULTILINE)
    assert any(shlex.split(example)[: len(path)] == list(path) for example in shown), shown
    for example in shown:
        parse(shlex.split(example))


def test_help_begins_with_what_is_done_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    listed = strobe("--help")[1].partition("Commands:")[2]
    names = re.findall(r"^  (\w+)  +[A-Z]", listed, flags=re.MULTILINE)
    assert names[:3] == ["measure", "look", "suspects"]
    assert sorted(names) == sorted(path[0] for path in COMMANDS if len(path) == 1)
    assert "..." not in listed


def test_every_option_says_what_it_is_for() -> None:
    for path in COMMANDS:
        command: Any = typer.main.get_command(app)
        for name in path:
            command = command.commands[name]
        for parameter in command.params:
            hidden = getattr(parameter, "hidden", False)
            assert hidden or getattr(parameter, "help", None), (path, parameter.name)


@pytest.mark.parametrize(
    ("argv", "meant"),
    [
        (["mesure", "clip.mp4"], "measure"),
        (["jobs"], "job"),
        (["job", "compar", "deck 7"], "compare"),
        (["measure", "clip.mp4", "--dotz", "180"], "--dots"),
        (["render", "try.mp4", "--second", "5"], "--seconds"),
    ],
)
def test_a_slip_of_the_pen_is_answered_with_what_was_meant(argv: list[str], meant: str) -> None:
    status, out, err = strobe(*argv)
    assert (status, out) == (ExitStatus.USAGE, "")
    assert re.search(rf"(Did you mean|Possible options:).*{meant}\b", err)


@pytest.mark.parametrize(
    ("argv", "status", "meant"),
    [
        (["measure", "befroe.mp4"], ExitStatus.UNREADABLE, "before.mp4"),
        (["look", "befroe.mp4"], ExitStatus.UNREADABLE, "before.mp4"),
        (["live", "befroe.mp4"], ExitStatus.UNREADABLE, "before.mp4"),
        (["machine", "dekc.toml"], ExitStatus.USAGE, "deck.toml"),
        (["measure", "before.mp4", "--machine", "dekc.toml"], ExitStatus.USAGE, "deck.toml"),
        (["measure", "before.mp4", "--job", "DEKC 7"], ExitStatus.USAGE, "deck 7"),
        (["job", "show", "dekc 7"], ExitStatus.USAGE, "deck 7"),
    ],
)
def test_a_slip_in_the_name_of_a_file_or_job_too(
    argv: list[str], status: ExitStatus, meant: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STROBE_LOG", "log.sqlite3")
    for name in ("before.mp4", "deck.toml"):
        Path(name).write_text('drive = "idler"')
    strobe("job", "open", "deck 7")
    strobe("job", "open", "another")
    given, out, err = strobe(*argv)
    assert (given, out) == (status, "")
    assert f"Did you mean '{meant}'?" in flat(err)


LONG_PATH = "/" + 90 * "p"


@pytest.mark.parametrize(
    ("message", "lines"),
    [
        ("this is short", ["strobe: this is short"]),
        (
            "the name of the job is one that holds blanks and is not to be cut: 'deck of the week'; else it is one",
            [
                "strobe: the name of the job is one that holds blanks and is not to be cut:",
                "        'deck of the week'; else it is one",
            ],
        ),
        (
            "there is no job by that name, nor any other that comes near to it. Open it: strobe job open NAME",
            [
                "strobe: there is no job by that name, nor any other that comes near to it. Open",
                "        it: strobe job open NAME",
            ],
        ),
        (
            "it can't be read, and nobody's words are quotes; make another one with: strobe machine new.toml --new",
            [
                "strobe: it can't be read, and nobody's words are quotes; make another one with:",
                "        strobe machine new.toml --new",
            ],
        ),
        (
            "over a network the mains can't be told by times of arrival, so please give --mains 50 or --mains 60",
            [
                "strobe: over a network the mains can't be told by times of arrival, so please",
                "        give --mains 50 or --mains 60",
            ],
        ),
        (f"{LONG_PATH} is no folder", [f"strobe: {LONG_PATH}", "        is no folder"]),
        (
            f"'{20 * 'word '}' is too long to be kept whole",
            [
                "strobe: 'word word word word word word word word word word word word word word",
                "        word word word word word word ' is too long to be kept whole",
            ],
        ),
        ("a\nname on two lines", ["strobe: a name on two lines"]),
    ],
)
def test_a_message_is_wrapped_and_what_is_copied_from_it_stays_whole(message: str, lines: list[str]) -> None:
    err = io.StringIO()
    complain(err, message)
    assert err.getvalue().splitlines() == lines


@pytest.mark.parametrize("columns", [50, 200, 5])
def test_on_a_terminal_a_message_is_as_wide_as_that(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setenv("TERM", "xterm")
    err = Terminal()
    assert run(["measure", "a.mp4", "--limit", "dinn"], out=io.StringIO(), err=err) == ExitStatus.USAGE
    *message, _ = err.getvalue().splitlines()
    assert max(map(len, message)) <= max(columns, 30), "where the terminal is too narrow, its words are not cut"
    assert (len(message) == 1) == (columns == 200)
    assert flat(err.getvalue()).startswith("strobe: --limit: 'dinn' is none of")


def test_alone_it_says_what_to_do_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    status, out, err = strobe()
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    labels = re.findall(r"^([A-Z][A-Z ]+?)  ", out, flags=re.MULTILINE)
    assert labels == ["STROBE", "FILM", "MEASURE", "TRY IT", "MORE", "CAUTION"]
    for command in re.findall(r"^(?:MEASURE|) +strobe (.+)$", out, flags=re.MULTILINE):
        parse(command.split())


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_shell_completes_commands(shell: str) -> None:
    told = {
        "bash": {"COMP_WORDS": "strobe meas", "COMP_CWORD": "1"},
        "zsh": {"_TYPER_COMPLETE_ARGS": "strobe meas"},
        "fish": {"_TYPER_COMPLETE_ARGS": "strobe meas", "_TYPER_COMPLETE_FISH_ACTION": "get-args"},
    }
    done = subprocess.run(
        [sys.executable, "-c", "import sys; sys.argv[0] = 'strobe'; from strobe.cli import main; sys.exit(main())"],
        env={**os.environ, "_STROBE_COMPLETE": f"complete_{shell}", **told[shell]},
        capture_output=True,
        text=True,
    )
    assert "measure" in done.stdout, done.stdout + done.stderr
    assert "render" not in done.stdout
