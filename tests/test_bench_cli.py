"""The bench log from the command line: jobs, filing, limits, many clips, a watched folder."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from messages import check_lines, flat
from rich.cells import cell_len
from test_bench_store import HOSTILE
from test_cli import Terminal
from test_report import component, measurement

from strobe.bench import open_log
from strobe.bench.limits import PRESETS, Verdict, figures_of, judge, parse_limits, record_percent, with_verdict
from strobe.bench.many import clips_in, measure_many
from strobe.bench.stopping import standing_of_reading
from strobe.bench.story import STORY_CLIPS
from strobe.bench.watching import Arrivals
from strobe.cli import ExitStatus, run
from strobe.cli.filing import QUESTIONS
from strobe.errors import ClipUnreadable, Refused, UsageError
from strobe.measurement import Measurement
from strobe.report.jobs import name_argument
from strobe.report.judging import standing_sentence


def measure_by_name(path: str, **options: Any) -> Measurement:
    """Stands in for `strobe.measure`, also in other processes: the name of the clip says what becomes of it."""
    name = Path(path).stem
    if name.startswith("blurred"):
        raise Refused("no-contrast", "The dots are a grey band.", "Switch the room light off.")
    if name.startswith("broken"):
        raise ClipUnreadable("it is no video")
    if name.startswith("deadly"):
        os._exit(9)
    if name.startswith("misused"):
        raise UsageError("rpm: 'soon' is not a speed")
    fast = 0.5 if "found" in name else 0.02
    peak = 0.3 if "found" in name else 0.05
    return measurement(
        clip={"path": str(path)},
        setup={"nominal_rpm": 45.0 if name.endswith("45") else 100 / 3},
        speed={"deviation_percent": fast, "uncertainty_percent": 0.01},
        fluctuation={"weighted_peak_percent": peak, "weighted_peak_uncertainty_percent": 0.02},
        components=(component(peak_percent=2 * peak),),
    )


class Bench:
    """One log and one folder with clips, worked from the command line."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.log = folder, folder / "log.sqlite3"
        self.status: int = 0

    def clip(self, name: str) -> str:
        path = self.folder / f"{name}.mp4"
        path.write_text(name)
        return str(path)

    def __call__(self, *argv: str, err: io.StringIO | None = None) -> tuple[str, str]:
        out, err = io.StringIO(), err or io.StringIO()
        self.status = run(argv, out=out, err=err, measure=measure_by_name)
        for line in (out.getvalue() + err.getvalue()).splitlines():
            assert "Traceback" not in line
        return out.getvalue(), check_lines(err)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setenv("STROBE_LOG", str(tmp_path / "log.sqlite3"))
    return Bench(tmp_path)


def test_a_job_from_as_found_to_hand_over(bench: Bench, tmp_path: Path) -> None:
    machine = tmp_path / "machine.toml"
    machine.write_text('name = "invented"\ndrive = "idler"\n')
    assert bench("job", "open", "deck 7", "--machine", str(machine), "--reported", "it wobbles")[0] == "opened deck 7\n"
    out, _ = bench("measure", *(bench.clip(f"found {n}") for n in range(3)), "--job", "deck 7", "--platter", "mat")
    assert bench.status == 0
    assert out.count("FILED       reading") == 3
    assert "as found" in out
    assert "on the platter: mat" in out
    bench("job", "note", "deck 7", "idler cleaned", "--repair")
    bench("job", "note", "deck 7", "owner asks for Friday")
    out, _ = bench(
        "measure", *(bench.clip(f"oiled {n}") for n in range(3)), "--job", "deck 7", "--after", "bearing oiled"
    )
    assert "FILED       reading 6 of deck 7, after: bearing oiled" in out
    out, _ = bench("job", "compare", "deck 7")
    assert out.startswith("DID IT HELP Yes.")
    assert "2 repairs lie between these readings; which of them did it cannot be\n" in out
    out, _ = bench("job", "show", "deck 7")
    for words in (
        'name = "invented"',
        "it wobbles",
        "repair 1: idler cleaned",
        "remark: owner asks",
        "2 bearing oiled",
    ):
        assert words in out
    assert 'strobe job compare "deck 7"' in out
    out, _ = bench("job", "list")
    assert "deck 7  open   2        6" in out
    assert bench("job", "close", "deck 7")[0] == "closed\n"
    assert "closed" in bench("job", "list")[0]
    assert "is closed" in flat(bench("measure", bench.clip("late"), "--job", "deck 7")[1])
    assert bench.status == ExitStatus.USAGE
    bench("job", "reopen", "deck 7")
    bench("job", "describe", "deck 7", "--reported", "it wobbled")
    assert "it wobbled" in bench("job", "show", "deck 7")[0]


def test_a_job_without_a_machine_keeps_the_one_that_a_reading_came_with(bench: Bench, tmp_path: Path) -> None:
    deck, other = tmp_path / "deck.toml", tmp_path / "other.toml"
    deck.write_text('name = "deck"\ndrive = "idler"\n')
    other.write_text('name = "other"\ndrive = "idler"\n')
    bench("job", "open", "deck 7")
    bench("measure", bench.clip("blurred"), "--job", "deck 7", "--machine", str(deck))
    with open_log(bench.log) as log:
        assert log.job("deck 7").machine == "", "nothing was filed, so nothing is kept"
    out, _ = bench("measure", bench.clip("a"), bench.clip("b"), "--job", "deck 7", "--machine", str(deck))
    assert out.count("machine's description kept too") == 1
    assert "FILED       reading 1 of deck 7, as found; machine's description kept too\n" in out
    assert 'name = "deck"' in bench("job", "show", "deck 7")[0]
    deck.write_text('# the same, said otherwise\ndrive = "idler"\nname = "deck"\n')
    assert "MACHINE" not in bench("measure", bench.clip("c"), "--job", "deck 7", "--machine", str(deck))[0]
    out, _ = bench("measure", bench.clip("d"), "--job", "deck 7", "--machine", str(other))
    assert "MACHINE     The job describes it otherwise and keeps its own words; this reading" in out
    assert '            strobe job describe "deck 7" --machine FILE\n' in out
    assert max(map(cell_len, out.splitlines())) <= 80
    with open_log(bench.log) as log:
        assert log.job("deck 7").machine == 'name = "deck"\ndrive = "idler"'


def test_a_description_that_no_job_could_keep_is_refused_before_anything_is_measured(
    bench: Bench, tmp_path: Path
) -> None:
    long = tmp_path / "long.toml"
    long.write_text('drive = "idler"\n' + "# words\n" * 2600)
    bench("job", "open", "deck 7")
    out, err = bench("measure", bench.clip("a"), "--job", "deck 7", "--machine", str(long))
    assert (bench.status, out) == (ExitStatus.USAGE, "")
    assert "the machine description has" in flat(err)


def test_a_filed_reading_that_asks_for_nothing_ends_with_what_comes_next_in_its_job(bench: Bench) -> None:
    def said_of(name: str, *options: str) -> list[str]:
        """What stands under NEXT, which is there once, at the end."""
        out, _ = bench("measure", bench.clip(name), "--job", "deck 7", *options)
        assert "Keep this reading" not in out
        assert out.count("\nNEXT  ") == 1
        return " ".join(out.partition("\nNEXT  ")[2].split()).split(": ")

    bench("job", "open", "deck 7")
    assert "Keep this reading (--job NAME)" in bench("measure", bench.clip("good"))[0]
    first = said_of("good")
    assert first[0] == "Readings of this state"
    assert first[1] == "1 at 33 1/3 rpm. Take 3, to tell how well the machine repeats itself"
    assert first[-1] == 'strobe measure CLIP --job "deck 7" --after TEXT'
    assert said_of("good 2")[1].startswith("2 at 33 1/3 rpm. Take 3")
    again = said_of("good 2")
    assert again[1].startswith("2 at 33 1/3 rpm. Take 3"), "also where the clip is there already"
    assert said_of("good 3") == [
        "Repair, and file the next reading under what was done",
        'strobe measure CLIP --job "deck 7" --after TEXT',
    ]
    assert said_of("good 4", "--after", "oiled")[-2:] == [
        "stop it, start it again, film again. Whether the last repair helped",
        'strobe job compare "deck 7"',
    ]
    assert said_of("found")[0].startswith("Let it run warm, then trim"), "what the reading itself asks for comes first"


def test_json_on_everything_that_lists(bench: Bench) -> None:
    bench("job", "open", "deck")
    bench("measure", bench.clip("found"), "--job", "deck", "--running", "5", "--platter", "mat")
    bench("measure", bench.clip("good"), "--job", "deck", "--after", "oiled")
    found = {
        words: json.loads(bench("job", *words.split(), "--json")[0])
        for words in ("list", "show deck", "compare deck", "limits")
    }
    assert [each["schema"] for each in found.values()] == [
        *("strobe.job-list/1", "strobe.job-report/1", "strobe.comparison/1", "strobe.limits/1"),
    ]
    assert found["list"]["jobs"][0]["readings"] == 2
    assert [state["readings"] for state in found["show deck"]["states"]] == [[1], [2]]
    kept = [reading["conditions"] for reading in found["show deck"]["readings"]]
    assert [(each["running_min"], each["platter"]) for each in kept] == [(5.0, "mat"), (None, "mat")]
    assert found["show deck"]["readings"][0]["measurement"]["schema"] == "strobe.measurement/1"


def test_under_json_only_json_is_on_standard_output(bench: Bench) -> None:
    bench("job", "open", "deck")
    out, err = bench("measure", bench.clip("good"), "--job", "deck", "--json")
    assert json.loads(out)["schema"] == "strobe.measurement/1"
    assert "FILED       reading 1 of deck" in err


def test_the_same_clip_is_not_filed_twice_but_can_be_replaced(bench: Bench) -> None:
    bench("job", "open", "deck")
    clip = bench.clip("good")
    bench("measure", clip, "--job", "deck")
    out, _ = bench("measure", clip, "--job", "deck")
    assert "NOT FILED   The same clip is reading 1 of deck already" in out
    assert bench.status == 4
    out, _ = bench("measure", clip, "--job", "deck", "--dots", "216", "--again")
    assert "FILED       reading 2" in out
    assert "replaced by 2" in bench("job", "show", "deck")[0]


def test_export_import_backup_and_csv(bench: Bench, tmp_path: Path) -> None:
    bench("job", "open", "deck", "--reported", "=1+1")
    bench("measure", bench.clip("=found"), "--job", "deck", "--after", "@home")
    for command, name in (("export deck", "deck.json"), ("backup", "copy.sqlite3"), ("csv deck", "deck.csv")):
        assert f"wrote {tmp_path / name}" in bench("job", *command.split(), "--to", str(tmp_path / name))[0]
    assert (
        "imported deck two, 1 reading\n" in bench("job", "import", str(tmp_path / "deck.json"), "--name", "deck two")[0]
    )
    assert "already; import under another name" in flat(bench("job", "import", str(tmp_path / "deck.json"))[1])
    assert bench.status == ExitStatus.USAGE
    assert "deck" in bench("job", "list", "--log", str(tmp_path / "copy.sqlite3"))[0]
    with (tmp_path / "deck.csv").open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["after"], row["state"]) == ("'@home", "1"), "a spreadsheet must not take it for a formula"
    assert float(row["weighted_peak_percent"]) == 0.3


@pytest.mark.parametrize("command", ["export deck", "csv deck", "backup"])
def test_nothing_is_written_over_the_log_itself(bench: Bench, command: str) -> None:
    bench("job", "open", "deck")
    assert "is the log itself; name another file" in bench("job", *command.split(), "--to", str(bench.log))[1]
    assert bench.status == ExitStatus.USAGE
    assert "deck" in bench("job", "list")[0]


def test_a_log_that_is_not_there_or_is_none(bench: Bench, tmp_path: Path) -> None:
    _, err = bench("job", "list")
    assert "there is none yet; open a job first" in flat(err)
    assert bench.status == ExitStatus.UNREADABLE
    _, err = bench("measure", bench.clip("good"), "--job", "deck")
    assert "open a job first" in flat(err)
    (tmp_path / "log.sqlite3").write_text("words " * 200)
    _, err = bench("job", "open", "x")
    assert "not a bench log" in flat(err)
    assert bench.status == ExitStatus.UNREADABLE


def test_where_no_job_was_ever_opened_the_list_is_empty(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("STROBE_LOG")
    monkeypatch.setattr("strobe.bench.default_log_path", lambda: tmp_path / "none" / "log.sqlite3")
    assert "None yet. Open the first: strobe job open NAME" in bench("job", "list")[0]
    assert json.loads(bench("job", "list", "--json")[0]) == {"schema": "strobe.job-list/1", "jobs": []}
    assert bench.status == ExitStatus.MEASURED
    assert not (tmp_path / "none").exists(), "looking makes no file"


def test_a_job_held_against_limits_says_whether_to_stop(bench: Bench) -> None:
    bench("job", "open", "deck")
    assert "No reading yet." in bench("job", "show", "deck", "--limit", "din-45500")[0]
    bench("measure", bench.clip("found"), bench.clip("good 45"), "--job", "deck")
    bench("measure", bench.clip("good"), "--job", "deck", "--after", "oiled")
    out, _ = bench("job", "show", "deck", "--limit", "DIN-45500")
    assert "LIMITS      Held against DIN 45500, hi-fi record player.\n" in out
    once = "Undecided: inside the limits as read, but one reading does not tell how the machine repeats itself. Take"
    assert f"33 1/3 rpm: {once}" in " ".join(out.split())
    assert f"45 rpm, last read as found: {once}" in " ".join(out.split())
    bench("measure", *(bench.clip(f"good again {n}") for n in range(2)), "--job", "deck")
    bench("measure", bench.clip("good again 45"), "--job", "deck", "--after", "as found")
    out, _ = bench("job", "show", "deck", "--limit", "DIN-45500")
    assert "            33 1/3 rpm: Inside the limits; what is left" in out
    assert "            45 rpm, last read as found: Inside the limits; what is" in out
    standings = json.loads(bench("job", "show", "deck", "--limit", "speed=0.01", "--json")[0])["standings"]
    assert [(each["nominal_rpm"], each["verdict"]["result"]) for each in standings] == [
        (pytest.approx(100 / 3), "undecided"),
        (45.0, "undecided"),
    ]
    assert json.loads(bench("job", "show", "deck", "--json")[0])["standings"] is None
    out, _ = bench("measure", bench.clip("good"), "--limit", "din-45500")
    assert "What is left (±0.070 % at most, 0.050 + 0.020, weighted) may be more" in out


@pytest.mark.parametrize(
    ("name", "shown"),
    [("deck 7", '"deck 7"'), ("demo (invented)", '"demo (invented)"'), ("$(rm x)", "NAME"), ("-x", "NAME")],
)
def test_a_name_is_put_into_a_command_only_where_a_shell_leaves_it_alone(name: str, shown: str) -> None:
    assert name_argument(name) == shown
    assert name_argument("y" * 100) == name_argument('a"b') == name_argument("a\u202eb") == "NAME"


def test_a_reading_that_cannot_be_filed_is_shown_and_said(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench("job", "open", "deck")
    monkeypatch.setattr("strobe.bench.store.pack_checked", fail_to_write)
    out, err = bench("measure", bench.clip("good"), "--job", "deck")
    assert "SPEED" in out
    assert "NOT FILED" in err
    assert bench.status == ExitStatus.UNREADABLE


def fail_to_write(*_: Any) -> bytes:
    from strobe.errors import LogUnavailable

    raise LogUnavailable("there is no room left on the disk")


@pytest.mark.parametrize(
    ("argv", "message"),
    [
        (["--after", "oiled"], "--after: say with --job NAME"),
        (["--again"], "--again: say with --job NAME"),
        (["--platter", "bare"], "conditions: say with --job NAME"),
        (["--job", "deck", "--platter", "glass"], "platter is 'glass'"),
        (["--job", "other"], "no job 'other'; the latest are 'deck'"),
        (["--workers", "0"], "--workers: 0 is not a number from 1"),
        # The most that Windows waits for at once (documents of ProcessPoolExecutor).
        (["--workers", "62"], "--workers: 62 is not a number from 1 to 61"),
        (["--sheet", "page.txt"], "end it in .html or .pdf"),
        (["--limit", "loud"], "'loud' is none of din-45500"),
        (["--limit", "usual"], "no usual limits are kept yet"),
        (["--csv", "a.csv", "--table", "a.csv"], "--csv and --table both name"),
    ],
)
def test_wrong_usage_of_the_options(bench: Bench, argv: list[str], message: str) -> None:
    bench("job", "open", "deck")
    _, err = bench("measure", bench.clip("good"), *argv)
    assert message in flat(err)
    assert bench.status == ExitStatus.USAGE


class Keyboard(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_conditions_are_asked_for_once_on_a_terminal(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench("job", "open", "deck")
    monkeypatch.setattr(sys, "stdin", Keyboard("soon\n5\nglass\nmat\nup\n\na neon lamp\n\n"))
    _, err = bench("measure", bench.clip("one"), "--job", "deck", err=Terminal())
    assert "How many minutes has it run?" in err
    assert "write a number of minutes" in err
    assert "platter is 'glass'" in err
    asked = [line for line in err.splitlines() if line.startswith(("Conditions", "The minutes", "Where a later"))]
    assert len(asked) == 3
    assert max(map(len, [*asked, *(f"  {question}" for question in QUESTIONS.values())])) <= 78
    with open_log(bench.log) as log:
        kept = log.job("deck").last_conditions
    assert (kept.running_min, kept.platter, kept.stylus, kept.pitch, kept.light) == (
        5.0,
        "mat",
        "up",
        None,
        "a neon lamp",
    )
    monkeypatch.setattr(sys, "stdin", Keyboard(""))
    _, err = bench("measure", bench.clip("two"), "--job", "deck", "--stylus", "down", err=Terminal())
    assert "How many minutes" not in err
    with open_log(bench.log) as log:
        kept = log.job("deck").last_conditions
    assert (kept.running_min, kept.platter, kept.stylus) == (None, "mat", "down")


def test_nobody_is_asked_in_a_pipe(bench: Bench) -> None:
    bench("job", "open", "deck")
    _, err = bench("measure", bench.clip("one"), "--job", "deck")
    assert err == ""


def test_hostile_text_is_harmless_on_the_terminal(bench: Bench) -> None:
    hostile = HOSTILE.replace("\x00", "\x01")
    bench("job", "open", hostile, "--reported", hostile)
    bench("job", "note", hostile, hostile, "--repair")
    bench("job", "note", hostile, f"two\nlines\r{hostile}")
    bench("measure", bench.clip("found"), "--job", hostile, "--light", hostile)
    bench("measure", bench.clip("good"), "--job", hostile, "--after", "oiled")
    shown = (["show", hostile], ["show", hostile, "--limit", "din-45500"], ["compare", hostile])
    for argv in (["list"], *shown, ["show", "none"], ["note", hostile, ""]):
        out, err = bench("job", *argv)
        assert out or err
        for line in (out + err).splitlines():
            assert line.isprintable(), argv
            if out:
                assert cell_len(line) <= 80
    assert len(bench("job", "show", hostile)[0]) < 8000


@pytest.mark.parametrize(
    ("value", "result"), [(0.10, "pass"), (0.19, "undecided"), (0.2, "undecided"), (0.21, "undecided"), (0.30, "fail")]
)
def test_the_guard_band_of_an_upper_limit(value: float, result: str) -> None:
    """Uncertainty 0.02 at a limit of 0.2 (DIN 45500): inside up to 0.18, outside from 0.22."""
    found = judge({"speed": (0.0, 0.01), "weighted-peak": (value, 0.02)}, PRESETS["din-45500"])
    assert found.result == result
    assert [check.result for check in found.checks] == ["pass", result]


@pytest.mark.parametrize(
    ("value", "result"),
    [(-1.2, "fail"), (-1.05, "undecided"), (-0.8, "pass"), (1.3, "pass"), (1.45, "undecided"), (1.7, "fail")],
)
def test_the_guard_band_of_a_range(value: float, result: str) -> None:
    """Mean speed between -1 and +1.5 % (DIN 45500), uncertainty 0.1."""
    assert judge({"speed": (value, 0.1), "weighted-peak": (0.0, 0.01)}, PRESETS["din-45500"]).result == result


def test_a_figure_on_the_limit_is_rarely_judged() -> None:
    """The rule's own claim: 10000 readings of a figure that stands on the limit; 2.5 % each way, ± 4 deviations."""
    import numpy as np

    rng = np.random.default_rng(1)
    limits = parse_limits(["weighted-peak=0.2"])
    results = [
        judge({"weighted-peak": (value, 0.0196)}, limits).result for value in 0.2 + 0.01 * rng.standard_normal(10_000)
    ]
    for result in ("pass", "fail"):
        assert 190 <= results.count(result) <= 312


def test_published_limits_carry_their_labels() -> None:
    din, nab = PRESETS["din-45500"], PRESETS["nab-1964"]
    assert [(limit.quantity, limit.low_percent, limit.high_percent) for limit in din.limits] == [
        ("speed", -1.0, 1.5),
        ("weighted-peak", None, 0.2),
    ]
    assert not any(limit.from_memory for limit in din.limits)
    assert nab.limits[0].from_memory
    # 21 dots of a 216-dot ring a minute under 120 flashes a second.
    assert abs(100 * 21 / 7200 - nab.limits[0].high_percent) < 0.01


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["speed=0.3"], [("speed", -0.3, 0.3)]),
        (["speed=-1/+1.5", "weighted-rms=0.1%"], [("speed", -1.0, 1.5), ("weighted-rms", None, 0.1)]),
        (["usual"], [("speed", -0.4, 0.4)]),
    ],
)
def test_limits_as_a_person_writes_them(words: list[str], expected: list[tuple[str, float | None, float]]) -> None:
    found = parse_limits(words, usual={"speed": 0.4})
    assert [(limit.quantity, limit.low_percent, limit.high_percent) for limit in found.limits] == expected


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["din-45500", "speed=0.3"], "speed is limited twice"),
        (["speed=fast"], "'fast' is not a number"),
        (["speed=nan"], "'nan' is no percentage"),
        (["speed=1/0.5"], "no range of percent"),
        (["weighted-peak=-1/1"], "no range of percent"),
        (["weighted-peak=-1"], "no range of percent"),
        (["wow=0.1"], "is none of din-45500"),
        ([], "name at least one limit"),
    ],
)
def test_limits_that_make_no_sense(words: list[str], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        parse_limits(words)


@pytest.mark.parametrize(
    ("clips", "limit", "status"),
    [
        (["good"], "din-45500", ExitStatus.MEASURED),
        (["found"], "weighted-peak=0.2", ExitStatus.OUTSIDE_LIMITS),
        (["good"], "weighted-peak=0.06", ExitStatus.TOO_UNCERTAIN),
        (["good", "found"], "weighted-peak=0.06", ExitStatus.OUTSIDE_LIMITS),
        (["found", "blurred"], "weighted-peak=0.06", ExitStatus.REFUSED),
        (["good", "broken", "blurred"], "weighted-peak=0.06", ExitStatus.UNREADABLE),
    ],
)
def test_exit_status_of_limits(bench: Bench, clips: list[str], limit: str, status: int) -> None:
    out, _ = bench("measure", *map(bench.clip, clips), "--limit", limit)
    assert bench.status == status
    assert "LIMITS" in out


def test_the_verdict_in_the_reading_and_in_json(bench: Bench) -> None:
    out, _ = bench("measure", bench.clip("found"), "--limit", "nab-1964")
    assert "LIMITS      OUTSIDE the limits as read: NAB 1964, broadcast turntable" in out
    assert "            One reading; three in a job tell how the machine repeats itself.\n" in out
    assert "value from memory" in out
    out, _ = bench("measure", bench.clip("found"), "--limit", "nab-1964", "--json")
    verdict = json.loads(out)["verdict"]
    assert (verdict["result"], verdict["spread"]) == ("fail", None)
    assert verdict["checks"][0]["value_percent"] == 0.5
    assert "JCGM 106" in verdict["rule"]


def test_usual_limits_come_from_the_configuration(bench: Bench, tmp_path: Path) -> None:
    kept = tmp_path / "kept.toml"
    kept.write_text("[limits]\nspeed_percent = 0.4\n")
    bench("measure", bench.clip("found"), "--limit", "usual", "--config", str(kept))
    assert bench.status == ExitStatus.OUTSIDE_LIMITS


def sentence(peak: float, width: float, limit: str = "din-45500", showable: float | None = None) -> str:
    whole = measurement(
        fluctuation={"weighted_peak_percent": peak, "weighted_peak_uncertainty_percent": width},
        speed={"deviation_percent": 0.0},
    )
    standing = standing_of_reading(with_verdict(whole, parse_limits([limit])))
    assert standing is not None
    assert standing.showable_percent is None, "by one reading nothing is shown"
    return standing_sentence(dataclasses.replace(standing, showable_percent=showable))


def test_the_sentence_that_says_whether_to_stop() -> None:
    """0.2 mm off centre at 100 mm is 0.2 % peak; weighted at 0.5556 Hz (-10.05 dB, x 0.314): 0.063 %."""
    assert record_percent(100 / 3) == pytest.approx(0.0628, abs=0.0005)
    record = "the ±0.063 % that an ordinary record's off-centre hole adds in mid-record"
    assert sentence(0.02, 0.02, showable=0.02) == (
        f"Inside the limits; what is left (weighted, below ±0.040 %) is less than {record}; a further "
        "repair, read as often, could not be shown to help."
    )
    for showable in (0.029, None):
        assert sentence(0.03, 0.01, showable=showable) == (
            f"Inside the limits; what is left (±0.040 % at most, 0.030 + 0.010, weighted) is less than {record}."
        )
    assert sentence(0.0734, 0.0294) == (
        f"Inside the limits; what is left (±0.102 % at most, 0.073 + 0.029, weighted) may be more than {record}, so a "
        "further repair may still be worth it."
    )
    assert sentence(0.3, 0.02) == "Outside the limits: weighted 2-sigma peak."
    assert sentence(0.19, 0.02).startswith("Undecided")


def test_the_verdict_is_filled_in() -> None:
    whole = with_verdict(measurement(), PRESETS["din-45500"])
    assert whole.verdict is not None
    assert whole.verdict["result"] == "fail"
    assert whole.to_dict()["verdict"]["limits"] == "DIN 45500, hi-fi record player"
    assert figures_of(whole)["weighted-peak"] == (0.30, 0.03)
    kept_before = {key: value for key, value in whole.verdict.items() if key != "spread"}
    assert Verdict.of(kept_before) == Verdict.of(whole.verdict)


def test_a_folder_stands_for_its_clips(tmp_path: Path) -> None:
    for name in ("b.MP4", "a.mov", ".hidden.mp4", "notes.txt"):
        (tmp_path / name).touch()
    assert clips_in([str(tmp_path), "c.mp4"]) == (str(tmp_path / "a.mov"), str(tmp_path / "b.MP4"), "c.mp4")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="holds no clip"):
        clips_in([str(tmp_path / "empty")])


@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_bad_clip_does_not_stop_the_rest(bench: Bench, tmp_path: Path, workers: str) -> None:
    names = ["broken", "found", "blurred", "good"]
    folder = tmp_path / "clips"
    folder.mkdir()
    for name in names:
        (folder / f"{name}.mp4").touch()
    out, err = bench("measure", str(folder), "--workers", workers, "--json", "--table", str(tmp_path / "t.csv"))
    found = [json.loads(line) for line in out.splitlines()]
    assert [Path(each["clip"]["path"]).stem for each in found] == ["blurred", "found", "good"]
    assert "it is no video" in err
    assert bench.status == ExitStatus.UNREADABLE
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(Path(row["clip"]).stem, row["exit_status"], row["reason"]) for row in rows] == [
        ("blurred", "3", "no-contrast"),
        ("broken", "4", "unreadable"),
        ("found", "0", ""),
        ("good", "0", ""),
    ]
    assert rows[0]["weighted_peak_percent"] == ""
    assert float(rows[2]["weighted_peak_percent"]) == 0.3


def test_a_clip_that_kills_its_process_does_not_stop_the_rest() -> None:
    clips = ["good 1.mp4", "deadly.mp4", "good 2.mp4", "blurred.mp4"]
    ticks: list[tuple[float, float | None]] = []
    found = list(
        measure_many(clips, options={}, workers=2, measure=measure_by_name, progress=lambda *tick: ticks.append(tick))
    )
    assert [outcome.clip for outcome in found] == clips
    assert [outcome.measurement is not None for outcome in found] == [True, False, True, False]
    assert "ended the whole process" in str(found[1].unreadable)
    assert found[3].refusal is not None
    assert ticks[-1] == (4, 4)


def test_wrong_options_end_the_whole_run(bench: Bench) -> None:
    for workers in ("1", "2"):
        _, err = bench("measure", bench.clip("misused"), bench.clip("good"), "--workers", workers)
        assert bench.status == ExitStatus.USAGE
        assert "rpm: 'soon' is not a speed" in err


class Clock:
    """Time that passes only when somebody sleeps; what happens meanwhile is told by `then`."""

    def __init__(self) -> None:
        self.now = 0.0
        self.then: Callable[[float], None] = lambda now: None

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds
        self.then(self.now)


def test_clips_are_handed_out_once_they_are_whole(tmp_path: Path) -> None:
    (tmp_path / "old.mkv").write_text("there before")
    clock = Clock()
    arrivals = Arrivals(tmp_path, still_s=3, patience_s=10, pause_s=1, clock=clock, sleep=clock.sleep)

    def happen(now: float) -> None:
        if now <= 4:
            (tmp_path / "slow.mkv").write_text("x" * int(now))
        if now == 2:
            (tmp_path / ".sync.mkv").write_text("half")
            (tmp_path / "notes.txt").write_text("no clip")
            (tmp_path / "empty.mkv").touch()
        if now == 12:
            (tmp_path / "old.mkv").write_text("sent again, longer")

    clock.then = happen
    handed = iter(arrivals)
    assert (next(handed).name, clock.now) == ("slow.mkv", 7.0), "it stopped growing at 4 s"
    assert (next(handed).name, clock.now) == ("old.mkv", 15.0), "only when it had changed"
    assert not arrivals.ready()


def test_an_unreadable_clip_is_tried_again_while_its_end_may_come(tmp_path: Path) -> None:
    clock = Clock()
    arrivals = Arrivals(tmp_path, still_s=2, patience_s=5, pause_s=1, clock=clock, sleep=clock.sleep)
    (tmp_path / "half.mkv").write_text("half")
    handed = iter(arrivals)
    times = []
    while True:
        path = next(handed)
        times.append(clock.now)
        if not arrivals.try_later(path):
            break
        clock.sleep(1)
    assert times[0] == 2.0
    assert times[-1] == 6.0
    assert not arrivals.try_later(tmp_path / "gone.mkv")


def box(name: bytes, content: bytes, *, long: bool = False) -> bytes:
    size = len(content) + (16 if long else 8)
    if long:
        return (1).to_bytes(4, "big") + name + size.to_bytes(8, "big") + content
    return size.to_bytes(4, "big") + name + content


@pytest.mark.parametrize("long", [False, True])
def test_a_copy_that_has_stopped_half_way_is_not_whole(tmp_path: Path, long: bool) -> None:
    whole = box(b"ftyp", b"isom") + box(b"mdat", bytes(500), long=long) + box(b"moov", bytes(100))
    clock = Clock()
    arrivals = Arrivals(tmp_path, still_s=2, patience_s=60, pause_s=1, clock=clock, sleep=clock.sleep)
    for size in (0, 6, 12, 20, 300, len(whole) - 1):
        (tmp_path / "clip.mp4").write_bytes(whole[:size])
        clock.sleep(1)
        assert arrivals.ready() == []
        clock.sleep(20)
        assert [path.name for path in arrivals.ready()] == (["clip.mp4"] if size == 12 else []), size
    (tmp_path / "clip.mp4").write_bytes(whole)
    arrivals.ready()
    clock.sleep(2)
    assert [path.name for path in arrivals.ready()] == ["clip.mp4"]
    (tmp_path / "cut.mp4").write_bytes(whole[:300])
    arrivals.ready()
    clock.sleep(59)
    assert arrivals.ready() == []
    clock.sleep(1)
    assert [path.name for path in arrivals.ready()] == ["cut.mp4"], "in the end it is handed out, to be reported"


def test_clips_present_at_the_start_are_measured_where_asked(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "phone"
    folder.mkdir()
    for name in ("found 1", "good", "broken"):
        (folder / f"{name}.mp4").write_text(name)
    machine = tmp_path / "deck.toml"
    machine.write_text('drive = "idler"\n')
    bench("job", "open", "deck")
    out, err = bench(
        *("watch", str(folder), "--present", "--still", "0", "--patience", "0", "--count", "3", "--job", "deck"),
        *("--json", "--limit", "weighted-peak=0.2", "--machine", str(machine)),
    )
    assert [json.loads(line)["verdict"]["result"] for line in out.splitlines()] == ["fail", "pass"]
    assert err.count("FILED       reading") == 2
    assert err.count("machine's description kept too") == 1
    assert "NOT READ" in err
    assert bench.status == ExitStatus.UNREADABLE


def test_minutes_said_of_a_watch_are_those_of_its_first_clip(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "phone"
    folder.mkdir()
    for name in ("found 1", "good"):
        (folder / f"{name}.mp4").write_text(name)
    bench("job", "open", "deck")
    bench(
        *("watch", str(folder), "--present", "--still", "0", "--patience", "0", "--count", "2", "--job", "deck"),
        *("--running", "5", "--platter", "mat"),
    )
    with open_log(bench.log) as log:
        kept = [reading.conditions for reading in log.job("deck").readings]
    assert [(each.running_min, each.platter) for each in kept] == [(5.0, "mat"), (None, "mat")]


def test_a_watched_folder_that_goes_away_ends_the_watch(bench: Bench, tmp_path: Path) -> None:
    """As that of a telephone does whose cable comes off."""
    folder = tmp_path / "phone"
    folder.mkdir()
    clip = folder / "good.mp4"
    clip.write_text("good")

    def measured_last(path: str, **options: Any) -> Measurement:
        clip.unlink()
        folder.rmdir()
        return measure_by_name(path, **options)

    out, err = io.StringIO(), io.StringIO()
    status = run(
        ["watch", str(folder), "--present", "--still", "0", "--patience", "0"], out=out, err=err, measure=measured_last
    )
    assert "READING" in out.getvalue()
    assert flat(err.getvalue()).endswith(
        f"strobe: the folder {folder} can be watched no longer: No such file or directory. Connect it again, and begin "
        "anew"
    )
    assert status == ExitStatus.UNREADABLE


def test_a_folder_that_may_not_be_looked_into(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def closed(path: str) -> list[str]:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(os, "listdir", closed)
    with pytest.raises(UsageError, match="cannot be looked into: Permission denied; name its clips"):
        clips_in([str(tmp_path)])


def test_a_folder_that_is_none_cannot_be_watched(bench: Bench, tmp_path: Path) -> None:
    _, err = bench("watch", str(tmp_path / "none"))
    assert "is no folder" in flat(err)
    assert bench.status == ExitStatus.USAGE


def test_the_sample_story_becomes_a_job_with_one_command(bench: Bench, tmp_path: Path) -> None:
    folder = tmp_path / "samples"
    folder.mkdir()
    _, err = bench("job", "demo", str(folder))
    assert "strobe render --samples" in flat(err)
    assert bench.status == ExitStatus.USAGE
    for name in STORY_CLIPS:
        (folder / name).write_text(name)
    out, _ = bench("job", "demo", str(folder))
    assert bench.status == 0
    for words in ("(invented)", "repair 1: idler cleaned", "repair 2: bearing oiled", "Its sheet: strobe job sheet"):
        assert words in out
    assert max(map(cell_len, out.splitlines())) <= 80
    (folder / next(iter(STORY_CLIPS))).unlink()
    _, err = bench("job", "demo", str(folder))
    assert err.startswith("strobe: there is a job"), "before any clip is looked at"


def test_help_names_every_command(bench: Bench) -> None:
    out, _ = bench("job", "--help")
    for name in (
        "open",
        "list",
        "show",
        "note",
        "close",
        "reopen",
        "compare",
        "sheet",
        "export",
        "import",
        "backup",
        "csv",
    ):
        assert f"  {name} " in out
    for line in out.splitlines():
        assert len(line) <= 80
