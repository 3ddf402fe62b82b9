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
    assert f"Did you mean '{meant}'?" in flat(err)


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


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (
            ["machine", "deck.toml", "--fps", "abc"],
            "--fps: 'abc' is not a number; give a number, in Hz (pictures a second of the clips to come)",
        ),
        (
            ["measure", "clip.mp4", "--rim-mm", "12in"],
            "--rim-mm: '12in' is not a number; give the number alone, in millimetres (diameter of the platter's rim at "
            "the dots, for millimetres)",
        ),
        (
            ["measure", "clip.mp4", "--running", "10 min"],
            "--running: '10 min' is not a number; give the number alone, in minutes (minutes that it has run)",
        ),
        (
            ["job", "compare", "deck 7", "--before", "as-found"],
            "--before: 'as-found' is not a whole number; give a whole number (state before: 0 as found, n after the "
            "n-th repair)",
        ),
        (
            ["render", "try.mp4", "--deviation", "0.3%"],
            "--deviation: '0.3%' is not a number; give the number alone, in percent (speed error, positive = fast)",
        ),
        (["coast", "clip.mp4"], "--dots N is missing (dots in the row, all round the rim)"),
        (["measure", "clip.mp4", "--dots"], "--dots: its value is missing"),
        (["measure"], "CLIP is missing"),
        (["found.mp4"], "'found.mp4' is no command; a clip is measured by: strobe measure found.mp4"),
        (["config", "show"], "'show' is no command; what you want may be: strobe config"),
        (["help"], "'help' is no command; what you want may be: strobe --help"),
        (
            ["print", "strip", "--to", "s.pdf", "--rim-mm", "305"],
            "--rim-mm: a strip is cut to the length round the rim, not by its diameter; wrap "
            "paper round it, measure, and give that with --circumference",
        ),
    ],
)
def test_wrong_usage_is_told_as_every_other_error(argv: list[str], message: str) -> None:
    """It says what was typed and what is asked for, within 80 columns, and where help is."""
    status, out, err = strobe(*argv)
    assert (status, out) == (ExitStatus.USAGE, "")
    told, _, help_line = err.rstrip("\n").rpartition("\n")
    assert flat(told) == f"strobe: {message}"
    assert re.fullmatch(r"Try: strobe .*--help", help_line)


@pytest.mark.parametrize(
    ("argv", "status", "message"),
    [
        (
            ["render", "a.mp4", "--exposure", "40", "--lamp", "steady"],
            2,
            "--exposure: 40 ms is longer than a frame, 33.33",
        ),
        (["render", "a.mp4", "--exposure", "0"], 2, "--exposure: 0 ms: must be above zero and finite"),
        (["render", "a.mp4", "--wobble", "0:0"], 2, "--wobble: '0:0': rate and percent must be above zero and finite"),
        (["render", "a.mp4", "--deviation", "-100"], 2, "--deviation: -100 %: the platter would turn backwards"),
        (["render", "a.mp4", "--size", "15x16"], 2, "--size: 15x16: must be even and at least 16 pixels"),
        (["config", "--config", "c", "set", "camera", "webcam"], 2, "no camera is called 'webcam' in c; it knows no"),
        (
            ["config", "--config", "c", "set", "cameras.webcam.uncertainty_ppm", "3"],
            2,
            "c was left as it is; changed, it would hold in line 1: cameras.webcam: needs rate_error_ppm",
        ),
        (
            ["config", "--config", "c", "set", "main", "50"],
            2,
            "no key of the configuration. Did you mean 'mains'? The keys",
        ),
        (["measure", "a.mp4", "--limit", "din45500"], 2, "Did you mean 'din-45500'?"),
        (["machine", "found.mp4"], 2, "found.mp4 is a clip by its name, not a machine's description; make one with:"),
        (["machine", "large"], 2, "it is larger than 256 kB; make one with: strobe machine deck.toml --new"),
        (["measure", "rim.JPG"], 4, "rim.JPG is a photo by its name, and one picture shows no speed; film a clip"),
        (["look", "empty"], 2, "the folder empty holds no clip; clips end in .mp4"),
        (["measure", "empty"], 2, "the folder empty holds no clip; clips end in .mp4"),
    ],
)
def test_a_mistake_is_told_by_what_was_typed_and_what_to_do(
    argv: list[str], status: int, message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("empty").mkdir()
    Path("rim.JPG").write_bytes(b"1")
    for name in ("found.mp4", "large"):
        Path(name).write_bytes(bytes(300_000))
    given, out, err = strobe(*argv)
    assert (given, out) == (status, "")
    assert message in flat(err)
    assert not {"a.mp4", "c"} & set(os.listdir())


@pytest.mark.parametrize(
    ("argv", "kept"),
    [
        (["measure", "found.mp4", "--csv", "other.MOV"], "--csv: other.MOV is a clip"),
        (["measure", "found.mp4", "--table", "log.sqlite3"], "--table: log.sqlite3 is a bench log"),
        (["job", "csv", "deck", "--to", "other.MOV"], "--to: other.MOV is a clip"),
        (["job", "export", "deck", "--to", "old.sqlite3"], "--to: old.sqlite3 is a bench log"),
        (["job", "backup", "--to", "other.MOV"], "backup: other.MOV is a clip"),
    ],
)
def test_a_report_never_takes_the_place_of_a_clip_or_a_log(
    argv: list[str], kept: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("STROBE_LOG", "log.sqlite3")
    strobe("job", "open", "deck")
    strobe("job", "backup", "--to", "old.sqlite3")
    assert strobe("job", "backup", "--to", "old.sqlite3")[0] == ExitStatus.MEASURED, "an older backup is replaced"
    for name in ("found.mp4", "other.MOV"):
        Path(name).write_bytes(b"a clip")
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    status, out, err = strobe(*argv)
    assert (status, out) == (ExitStatus.USAGE, "")
    assert f"{kept} that is there already and is never replaced; name another file" in flat(err)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_look_takes_the_clips_of_a_folder_as_measure_does(tmp_path: Path) -> None:
    for name in ("b.mp4", "a.mov", "notes.txt"):
        (tmp_path / name).write_bytes(b"no clip")
    told = [strobe(command, str(tmp_path)) for command in ("look", "measure")]
    assert told[0] == told[1]
    assert told[0][0] == ExitStatus.UNREADABLE
    # A folder with a long name is broken over two lines.
    assert re.findall(r"([^\s/]+) is not a video file", flat(told[0][2])) == ["a.mov", "b.mp4"]


def test_a_group_alone_is_answered_with_its_help() -> None:
    status, out, err = strobe("job")
    assert (status, out) == (ExitStatus.USAGE, "")
    assert err.startswith("Usage: strobe job")


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["print", "disc", "--to", "d.pdf", "--rpm", "33,45"], "rpm '33,45' may be two speeds; give each"),
        (["measure", "clip.mp4", "--rpm", "45,33"], "rpm '45,33' may be two speeds; give each"),
        (
            ["print", "strip", "--to", "s.pdf", "--circumference", "1,250"],
            "'1,250' may mean thousands or decimals; use a",
        ),
        (["print", "disc", "--to", "d.pdf", "--scale", "99,2,98,9"], "(decimals with a point)"),
        (["measure", "clip.mp4", "--limit", "speed=0,3,5"], "use a point for decimals"),
        (["config", "--config", "c.toml", "set", "limits.speed_percent", "0,3,5"], "use a point for decimals"),
        (["machine", "comma.toml"], "use a point for decimals"),
        (["config", "--config", "comma.toml"], "use a point for decimals"),
    ],
)
def test_a_comma_that_may_mean_two_things_is_refused(
    argv: list[str], message: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("comma.toml").write_text('drive = "belt"\npulley_mm = 12,5\n')
    status, out, err = strobe(*argv)
    assert (status, out) == (ExitStatus.USAGE, "")
    assert message in flat(err)
    assert [path.name for path in tmp_path.iterdir()] == ["comma.toml"]


def test_a_decimal_comma_is_taken_where_one_number_is_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert strobe("config", "--config", "c.toml", "set", "limits.speed_percent", "0,3")[0] == ExitStatus.MEASURED
    assert "speed_percent = 0.3\n" in Path("c.toml").read_text()
    _, out, _ = strobe("print", "disc", "--to", "d.svg", "--spindle", "7,3", "--rpm", "33,3", "--mains", "50")
    assert "180 bars" in out
    # It gets as far as the clip, which is not there.
    for argv in (["--limit", "speed=0,3"], ["--rim-mm", "304,8"], ["--lamp", "99,5"]):
        status, _, err = strobe("measure", "none.mp4", *argv)
        assert status == ExitStatus.UNREADABLE, err


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
