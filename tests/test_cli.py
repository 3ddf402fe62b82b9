"""The command line, run inside this process with a stand-in for the measuring function."""

from __future__ import annotations

import importlib.util
import io
import json
import os
import re
import subprocess
import sys
import tomllib
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest
from messages import check_lines, flat
from test_report import measurement

from strobe import cli
from strobe.cli import ExitStatus, run
from strobe.cli.about import LIBRARIES
from strobe.errors import ClipUnreadable, MissingLibrary, Refused, UsageError


class Terminal(io.StringIO):
    """A stream that says that it is a terminal."""

    def isatty(self) -> bool:
        return True


class Bench:
    """Stands in for `strobe.measure`: the name of a clip says what becomes of it; keeps what it was asked."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []

    def __call__(self, path: str, **options: Any) -> Any:
        self.asked.append({"path": path, **options})
        if options["progress"] is not None:
            options["progress"](1.0, 20.0)
        name = Path(path).stem
        if name == "blurred":
            raise Refused("no-contrast", "The dots are a grey band.", "Switch the room light off.")
        if name == "missing":
            raise ClipUnreadable("there is no such file")
        if name == "misused":
            raise UsageError("rpm: 'soon' is not a speed")
        if name == "bare":
            raise MissingLibrary("install libgl1")
        if name == "interrupted":
            raise KeyboardInterrupt
        if name == "huge":
            raise MemoryError
        return measurement(clip={"path": path})


def strobe(*argv: str, err: io.StringIO | None = None) -> tuple[int, str, str, list[dict[str, Any]]]:
    bench, out, err = Bench(), io.StringIO(), err or io.StringIO()
    status = run(argv, out=out, err=err, measure=bench)
    return status, out.getvalue(), check_lines(err), bench.asked


def test_measured_is_0_and_the_reading_is_on_standard_output() -> None:
    status, out, err, _ = strobe("measure", "good.mp4")
    assert status == ExitStatus.MEASURED == 0
    assert "SPEED       33.350 rpm" in out
    assert err == ""


def test_wrong_usage_is_2() -> None:
    for argv in (
        ["measure"],
        ["measure", "good.mp4", "--speed", "33"],
        ["measure", "good.mp4", "--dots", "many"],
        ["measure", "good.mp4", "--mains", "55"],
        ["measure", "good.mp4", "--lamp", "candle"],
        ["measure", "good.mp4", "--lamp", "-100"],
        ["measure", "good.mp4", "--lamp", "nan"],
        ["measure", "misused.mp4"],
        ["weigh"],
    ):
        status, out, err, _ = strobe(*argv)
        assert status == ExitStatus.USAGE == 2, argv
        assert out == ""
        assert "Traceback" not in err
        assert err


def test_refused_is_3_with_an_explanation_on_standard_error() -> None:
    status, out, err, _ = strobe("measure", "blurred.mp4")
    assert status == ExitStatus.REFUSED == 3
    assert out == ""
    assert err.startswith("NO READING  blurred.mp4")
    assert "DO THIS     Switch the room light off." in err


def test_unreadable_is_4() -> None:
    for extra in ([], ["--json"]):
        status, out, err, _ = strobe("measure", "missing.mp4", *extra)
        assert status == ExitStatus.UNREADABLE == 4
        assert out == ""
        assert "there is no such file" in err


def test_a_missing_library_is_one_line_and_4() -> None:
    status, out, err, _ = strobe("measure", "bare.mp4")
    assert status == ExitStatus.UNREADABLE
    assert (out, err) == ("", "strobe: install libgl1\n")


def test_interrupted_is_130() -> None:
    status, out, err, _ = strobe("measure", "interrupted.mp4")
    assert status == ExitStatus.INTERRUPTED == 130
    assert (out, err) == ("", "strobe: interrupted\n")


def test_too_little_memory_is_one_line_and_4() -> None:
    status, out, err, _ = strobe("measure", "huge.mp4")
    assert status == ExitStatus.UNREADABLE
    assert out == ""
    assert err.startswith("strobe: not enough memory")
    assert err.count("\n") == 1


class ClosedPipe(io.StringIO):
    def write(self, text: str) -> int:
        raise BrokenPipeError


def test_a_reader_that_went_away_is_met_quietly() -> None:
    err = io.StringIO()
    status = run(["measure", "good.mp4", "--json"], out=ClosedPipe(), err=err, measure=Bench())
    assert status == ExitStatus.PIPE_CLOSED == 141
    assert err.getvalue() == ""


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX pipe")
def test_a_closed_pipe_leaves_no_message_at_the_interpreters_end() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run([sys.executable, "-m", "strobe"], stdout=writer, stderr=subprocess.PIPE, check=False)
    os.close(writer)
    assert done.returncode == ExitStatus.PIPE_CLOSED
    assert done.stderr == b""


def test_numbers_kept_for_later_commands() -> None:
    assert (ExitStatus.OUTSIDE_LIMITS, ExitStatus.TOO_UNCERTAIN) == (1, 5)


@pytest.mark.parametrize(
    ("clips", "status"),
    [
        (["good.mp4", "good.mp4"], 0),
        (["blurred.mp4", "good.mp4"], 3),
        (["missing.mp4", "blurred.mp4", "good.mp4"], 4),
    ],
)
def test_of_several_clips_the_highest_status_counts(clips: list[str], status: int) -> None:
    found, out, err, asked = strobe("measure", *clips)
    assert found == status
    assert [each["path"] for each in asked] == clips
    assert out.count("READING") == clips.count("good.mp4")
    assert err.count("NO READING") == clips.count("blurred.mp4")


def test_json_lines_and_nothing_else_on_standard_output() -> None:
    status, out, err, _ = strobe("measure", "good.mp4", "blurred.mp4", "--json", err=Terminal())
    assert status == ExitStatus.REFUSED
    found = [json.loads(line) for line in out.splitlines()]
    assert [(each["schema"], each["clip"]["path"]) for each in found] == [
        ("strobe.measurement/1", "good.mp4"),
        ("strobe.refusal/1", "blurred.mp4"),
    ]
    assert "NO READING" not in err


def test_every_option_reaches_the_measurement() -> None:
    *_, asked = strobe(
        *("measure", "good.mp4", "--rpm", "45", "--dots", "160", "--mains", "60"),
        *("--lamp", "300.5", "--capture-rate", "239.76", "--mirrored", "--view", "disc", "--disc-mm", "250"),
    )
    assert asked == [
        {
            "path": "good.mp4",
            "rpm": "45",
            "dots": 160,
            "mains": 60,
            "lamp": 300.5,
            "capture_rate_hz": 239.76,
            "mirrored": True,
            "view": "disc",
            "disc_mm": 250.0,
            "progress": None,
        }
    ]
    *_, asked = strobe("measure", "good.mp4")
    assert asked == [
        {
            "path": "good.mp4",
            "rpm": None,
            "dots": None,
            "mains": None,
            "lamp": "mains",
            "capture_rate_hz": None,
            "mirrored": False,
            "view": None,
            "disc_mm": None,
            "progress": None,
        }
    ]
    assert strobe("measure", "good.mp4", "--lamp", "steady")[3][0]["lamp"] == "steady"


@pytest.mark.parametrize(
    "argv",
    [
        *(["measure", "a.mp4"], ["suspects", "a.mp4"], ["load", "a.mp4"]),
        *(["compare", "a.mp4", "b.mp4"], ["speeds", "a.mp4", "b.mp4"], ["ring", "a.mp4", "b.mp4", "--mark-a", "1"]),
        ["watch", ".", "--present", "--still", "0", "--patience", "0", "--count", "1"],
    ],
    ids=lambda argv: argv[0],
)
def test_every_command_that_measures_takes_what_is_kept_and_what_the_machine_tells(
    argv: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mains of the region and camera's clock from the configuration, mains and rim from the machine's description."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.mp4").write_text("a")
    kept = tmp_path / "kept.toml"
    kept.write_text("mains = 50\n[cameras.webcam]\nrate_error_ppm = -12.5\n")
    *_, asked = strobe(*argv, "--config", str(kept), "--camera", "webcam")
    assert asked
    assert all(one["mains_default"] == 50 and one["camera_rate_error_ppm"] == -12.5 for one in asked)
    assert all(one["mains"] is None for one in asked)
    if argv[0] in ("load", "compare"):
        return
    machine = tmp_path / "deck.toml"
    machine.write_text('drive = "idler"\nmains_hz = 60\nplatter_mm = 300\n')
    *_, asked = strobe(*argv, "--machine", str(machine))
    assert asked
    assert all(one["mains"] == 60 and one["rim_mm"] == 300 for one in asked)
    *_, asked = strobe(*argv, "--machine", str(machine), "--mains", "50")
    assert all(one["mains"] == 50 for one in asked)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--rpm", "soon"], "rpm 'soon' is not a number"),
        (["--dots", "3"], "dots is 3"),
        (["--lamp", "candle"], "--lamp: 'candle'"),
        (["--count", "0"], "--count: 0 is below 1"),
        (["--still", "nan"], "--still: nan s is outside 0 to 86400 s"),
        (["--patience", "-1"], "--patience: -1 s is outside 0 to 86400 s"),
    ],
)
def test_wrong_options_are_noticed_before_anything_is_watched(options: list[str], words: str, tmp_path: Path) -> None:
    status, out, err, asked = strobe("watch", str(tmp_path), *options)
    assert (status, out, asked) == (ExitStatus.USAGE, "", [])
    assert words in flat(err)
    assert "watching" not in err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--turned-by", "nan"], "stands where it stood"),
        (["--turned-by", "360"], "stands where it stood"),
        (["--mark-a", "-5"], "--mark-a: -5 s is no time in a clip"),
        (["--mark-b", "nan"], "--mark-b: nan s is no time in a clip"),
    ],
)
def test_wrong_angles_and_marks_are_noticed_before_measuring(options: list[str], words: str) -> None:
    status, out, err, asked = strobe("ring", "a.mp4", "b.mp4", *options)
    assert (status, out, asked) == (ExitStatus.USAGE, "", [])
    assert words in flat(err)


@pytest.mark.parametrize(
    ("argv", "words"),
    [
        (["suspects", "a.mp4", "--plot", "a.png", "--high-spot", "./a.png"], "--plot and --high-spot both name a.png"),
        (["load", "a.mp4", "--at", "nan"], "--at: nan s is no time in a clip"),
        (["load", "a.mp4", "--at", "-1"], "--at: -1 s is no time in a clip"),
    ],
)
def test_two_wishes_for_one_file_and_wrong_times_are_noticed_before_measuring(argv: list[str], words: str) -> None:
    status, out, err, asked = strobe(*argv)
    assert (status, out, asked) == (ExitStatus.USAGE, "", [])
    assert words in err


def test_an_interval_without_the_warm_up_is_no_wish() -> None:
    status, out, err, _ = strobe("live", "a.mp4", "--every", "30")
    assert (status, out) == (ExitStatus.USAGE, "")
    assert "--every is how often --warm-up takes a reading" in flat(err)


LONG = 300 * "a"
"""A name that no usual file system has room for."""


@pytest.mark.parametrize(
    "argv",
    [
        *(["measure", f"{LONG}.mp4"], ["look", LONG], ["suspects", LONG], ["compare", LONG, LONG], ["load", LONG]),
        *(["coast", LONG, "--dots", "180"], ["calibrate", LONG, "--lamp", "110"], ["live", LONG], ["trim", LONG]),
        *(["watch", LONG], ["machine", LONG], ["machine", LONG, "--new"], ["config", "--config", LONG]),
        *(["config", "set", "mains", "50", "--config", LONG], ["render", f"{LONG}.mp4"], ["render", "--samples", LONG]),
        *(
            ["print", "disc", "--to", f"{LONG}.pdf"],
            ["job", "list", "--log", LONG],
            ["job", "open", "a", "--log", LONG],
        ),
        *(["job", "import", LONG, "--log", "log"], ["job", "demo", LONG, "--log", "log"]),
        *(["measure", "a.mp4", option, f"{LONG}{end}"] for option, end in (("--csv", ""), ("--table", ""))),
        *(["measure", "a.mp4", option, f"{LONG}{end}"] for option, end in (("--plot", ".png"), ("--sheet", ".pdf"))),
        *(["live", "a.mp4", option, f"{LONG}{end}"] for option, end in (("--csv", ""), ("--tone-file", ".wav"))),
        ["trim", "a.mp4", "--keep", LONG],
    ],
    ids=lambda argv: " ".join(argv).replace(LONG, "LONG"),
)
def test_a_name_that_the_system_will_not_have_is_told_in_a_line(
    argv: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    out, err = io.StringIO(), io.StringIO()
    assert run(argv, out=out, err=err) in (ExitStatus.USAGE, ExitStatus.UNREADABLE)
    assert LONG in "".join(err.getvalue().split())
    assert [path for path in tmp_path.iterdir() if not path.name.startswith("log")] == []


STEERS = "\x1b[31mno"


@pytest.mark.parametrize(
    "argv",
    [
        *(["render", f"{STEERS}.xx"], ["machine", f"{STEERS}.toml"], ["calibrate", f"{STEERS}.mp4", "--lamp", "110"]),
        *(["live", f"{STEERS}.mp4"], ["measure", "good.mp4", "--csv", f"{STEERS}/a.csv"]),
        ["render", f"{STEERS}.mp4", "--seconds", "0.1", "--size", "320x180"],
        ["print", "strip", "--to", f"{STEERS}.svg", "--circumference", "900", "--mains", "50"],
    ],
)
def test_a_name_cannot_steer_the_terminal(argv: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    _, out, err, _ = strobe(*argv)
    assert "?[31mno" in out + err
    assert "\x1b" not in out + err


def test_a_clip_that_cannot_be_written_there_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("strobe.render.render_clip", full)
    status, out, err, _ = strobe("render", str(tmp_path / "try.mp4"), "--seconds", "1", "--size", "320x180")
    assert (status, out) == (ExitStatus.USAGE, "")
    assert flat(err).startswith(f"strobe: cannot write {tmp_path / 'try.mp4'}: No space left on device")


def test_progress_only_on_a_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    status, out, err, asked = strobe("measure", "good.mp4", err=Terminal())
    assert status == ExitStatus.MEASURED
    assert asked[0]["progress"] is not None
    assert "good.mp4" in err
    assert "\x1b" not in out


def test_pipes_and_no_color_hold_no_escape_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm-256color")
    assert "\x1b" not in "".join(strobe("measure", "good.mp4", "blurred.mp4")[1:3])
    coloured, plain = Terminal(), Terminal()
    run(["measure", "good.mp4"], out=coloured, err=io.StringIO(), measure=Bench())
    monkeypatch.setenv("NO_COLOR", "1")
    run(["measure", "good.mp4"], out=plain, err=io.StringIO(), measure=Bench())
    assert "\x1b[" in coloured.getvalue()
    assert "\x1b" not in plain.getvalue()


def test_a_stream_without_plus_minus_gets_plain_letters() -> None:
    raw = io.BytesIO()
    with io.TextIOWrapper(raw, encoding="ascii") as out:
        assert run(["measure", "good.mp4"], out=out, err=io.StringIO(), measure=Bench()) == 0
        assert b"0.050 % fast (+/-0.020)" in raw.getvalue()


def test_csv_and_plot_are_written(tmp_path: Path) -> None:
    csv, plot = tmp_path / "a.csv", tmp_path / "a.svg"
    status, out, _, _ = strobe("measure", "good.mp4", "--csv", str(csv), "--plot", str(plot))
    assert status == ExitStatus.MEASURED
    assert csv.read_text().startswith("time_s,angle_rev,deviation_percent\n0.0,")
    assert "<svg" in plot.read_text()
    assert "READING" in out
    assert out.splitlines()[-2:] == [f"wrote {csv}", f"wrote {plot}"]
    status, out, _, _ = strobe("measure", "good.mp4", "--json", "--csv", str(csv))
    assert json.loads(out)["schema"] == "strobe.measurement/1"


@pytest.mark.parametrize(
    ("argv", "match"),
    [
        (["good.mp4", "good.mp4", "--csv", "a.csv"], "--csv takes one clip, but there are 2"),
        (["good.mp4", "good.mp4", "--plot", "a.png"], "--plot takes one clip, but there are 2"),
        (["good.mp4", "--plot", "a.pdf"], "end it in .png or .svg"),
        (["good.mp4", "--plot", "a"], "end it in .png or .svg"),
        (["good.mp4", "--csv", "good.mp4"], "is the clip itself"),
        (["good.mp4", "--csv", "none/a.csv"], "the folder none does not exist"),
        (["good.mp4", "--csv", "a.png", "--plot", "a.png"], "--csv and --plot both name a.png"),
        (["good.mp4", "--rpm", "soon"], "rpm 'soon' is not a number"),
        (["good.mp4", "--dots", "3"], "dots is 3; a ring has between 4 and 2000"),
        (["good.mp4", "--view", "rim", "--disc-mm", "190"], "leave one of them out"),
    ],
)
def test_wrong_options_and_targets_are_noticed_before_measuring(
    argv: list[str], match: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err, asked = strobe("measure", *argv)
    assert status == ExitStatus.USAGE
    assert match in flat(err)
    assert (out, asked) == ("", [])
    assert not list(tmp_path.iterdir())


def test_alone_it_greets_a_newcomer() -> None:
    status, out, err, _ = strobe()
    assert (status, err) == (ExitStatus.MEASURED, "")
    assert "strobe measure clip.mp4" in out
    assert "strobe render" in out


@pytest.mark.parametrize("argv", [[], ["measure"], ["render"]])
def test_help_fits_80_columns_and_has_an_example(argv: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for flag in ("-h", "--help"):
        status, out, err, _ = strobe(*argv, flag)
        assert (status, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 80
        assert "Example" in out
        assert f"strobe {argv[0] if argv else 'measure'} " in out


def test_render_writes_a_clip_and_its_truth(tmp_path: Path) -> None:
    out = tmp_path / "try.mp4"
    options = [
        "--rpm",
        "45",
        "--mains",
        "60",
        "--wobble",
        "1:0.3",
        "--wobble",
        "4.2Hz:0.1",
        "--seconds",
        "0.2",
    ]
    status, text, err, _ = strobe("render", str(out), *options, "--size", "320x180", "--deviation", "-0.4")
    assert (status, err) == (0, "")
    assert text == f"wrote {out} and {tmp_path / 'try.truth.json'}\n"
    assert out.stat().st_size > 1000
    truth = json.loads((tmp_path / "try.truth.json").read_text())
    assert truth["scene"]["rows"][0]["dots"] == 160
    assert truth["speed"]["deviation_percent"] == -0.4
    assert [part["peak_percent"] for part in truth["components"]] == [0.3, 0.1]
    before = out.read_bytes()
    status, _, err, _ = strobe("render", str(out), *options, "--size", "320x180")
    assert status == ExitStatus.USAGE
    assert "is there already" in err
    assert out.read_bytes() == before


def test_render_leaves_the_truth_of_another_clip_alone(tmp_path: Path) -> None:
    """try.mp4 and try.mkv would share try.truth.json."""
    options = ["--seconds", "0.2", "--size", "320x180"]
    assert strobe("render", str(tmp_path / "try.mp4"), *options)[0] == 0
    before = (tmp_path / "try.truth.json").read_bytes()
    status, out, err, _ = strobe("render", str(tmp_path / "try.mkv"), *options, "--deviation", "-2")
    assert (status, out) == (ExitStatus.USAGE, "")
    assert "try.truth.json is there already, the truth of another clip" in " ".join(err.split())
    assert (tmp_path / "try.truth.json").read_bytes() == before
    assert not (tmp_path / "try.mkv").exists()


@pytest.mark.parametrize(
    ("argv", "match"),
    [
        ([], "name the clip to write"),
        (["try.gif"], "end it in one of .mp4"),
        (["none/try.mp4"], "the folder none does not exist"),
        (["try.mp4", "--lamp", "candle"], "'candle' is none of pulse, half-sine, sine, steady"),
        (["try.mp4", "--size", "large"], "is not a size such as 1280x720"),
        (["try.mp4", "--size", "321x180"], "must be even"),
        (["try.mp4", "--wobble", "fast"], "neither like 1:0.2"),
        (["try.mp4", "--rpm", "soon"], "is not a number"),
        (["try.mp4", "--exposure", "50"], "longer than a frame"),
        (["try.mp4", "--dots", "0"], "a ring needs at least three"),
        (["try.mp4", "--fps", "0"], "--fps: 0 is not between 1 and 2000"),
        (["try.mp4", "--fps", "nan"], "--fps: nan"),
        (["try.mp4", "--seed", "-1"], "--seed: -1 is below 0"),
        (["try.mp4", "--deviation", "inf"], "--deviation: inf %: must be a finite number"),
        (["try.mp4", "--mains", "nan"], "--mains: nan Hz: must be above zero and finite"),
        (["try.mp4", "--wobble", "1:inf"], "'1:inf': rate and percent must be above zero and finite"),
        (["try.mp4", "--wobble", "inf:0.1"], "'inf:0.1': rate and percent must be above zero and finite"),
        (["try.mp4", "--seconds", "inf"], "--seconds: inf s: must be above zero and finite"),
        (["try.mp4", "--samples", "folder"], "leave one of them out"),
        (["--samples", "folder", "--rpm", "45"], "and --rpm changes nothing of them; leave it out"),
        (["--seed", "1", "--samples", "folder"], "and --seed changes nothing of them"),
    ],
)
def test_render_says_what_it_cannot_do(
    argv: list[str], match: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err, _ = strobe("render", *argv)
    assert (status, out) == (ExitStatus.USAGE, "")
    assert match in flat(err)
    assert not list(tmp_path.iterdir())


def test_render_makes_the_sample_clips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def write(folder: Path) -> list[Path]:
        folder.mkdir()
        return [folder / "one.mp4", folder / "two.mp4"]

    monkeypatch.setattr("strobe.render.write_sample_clips", write)
    folder = tmp_path / "samples"
    status, out, err, _ = strobe("render", "--samples", str(folder))
    assert (status, err) == (0, "")
    assert out == f"wrote {folder / 'one.mp4'}\nwrote {folder / 'two.mp4'}\n"
    status, out, err, _ = strobe("render", "--samples", str(folder))
    assert (status, out) == (ExitStatus.USAGE, "")
    assert "cannot write into" in flat(err)


def test_an_interrupted_render_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*arguments: Any, **options: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr("strobe.render.clip.frames", stop)
    status, _, err, _ = strobe("render", str(tmp_path / "try.mp4"))
    assert (status, err) == (ExitStatus.INTERRUPTED, "strobe: interrupted\n")
    assert not list(tmp_path.iterdir())


def test_version_is_one_line() -> None:
    assert strobe("--version")[:3] == (0, f"strobe {version('strobe')}\n", "")


def test_about_names_what_a_bug_report_needs() -> None:
    status, out, err, _ = strobe("about")
    assert (status, err) == (0, "")
    names = [line.split()[0] for line in out.splitlines()]
    assert names[:6] == ["strobe", "python", "numpy", "scipy", "opencv-python", "av"]
    assert {"tomlkit", "libavcodec", "configuration"} <= set(names)
    facts = json.loads(strobe("about", "--json")[1])
    assert facts.pop("schema") == "strobe.about/1"
    assert out == "".join(f"{name:<18}{text}\n" for name, text in facts.items())


def test_about_names_every_library_that_is_asked_for() -> None:
    project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text())["project"]
    assert sorted(re.split(r"[<>=]", need)[0] for need in project["dependencies"]) == sorted(LIBRARIES)
    page = (Path(__file__).parent.parent / "docs" / "dependencies.md").read_text(encoding="utf-8")
    listed = [line.split("`")[1] for line in page.splitlines() if line.startswith("| `")]
    assert sorted(listed) == sorted(LIBRARIES)


@pytest.mark.parametrize("argv", [["--help"], ["measure", "--help"], ["render", "--help"], []])
def test_help_imports_nothing_heavy(argv: list[str]) -> None:
    heavy = ["numpy", "scipy", "cv2", "av", "matplotlib"]
    if not argv:
        heavy.remove("numpy")
    program = (
        "import sys, io\n"
        "from strobe.cli import run\n"
        f"assert run({argv}, out=io.StringIO(), err=io.StringIO()) == 0\n"
        f"print([name for name in {heavy} if name in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_importing_the_package_imports_nothing_else() -> None:
    program = (
        "import sys, strobe\nprint([m for m in sys.modules if m.startswith(('numpy', 'typer', 'rich', 'strobe.'))])"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_main_runs_the_arguments_of_the_process(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["strobe", "measure", "--help"])
    assert cli.main() == 0
    assert "Usage: strobe measure" in capsys.readouterr().out
    assert cli.main(["measure"]) == ExitStatus.USAGE


def test_the_module_runs_as_a_program() -> None:
    assert importlib.util.find_spec("strobe.__main__") is not None
    done = subprocess.run([sys.executable, "-m", "strobe", "-h"], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert "Usage: strobe " in done.stdout
