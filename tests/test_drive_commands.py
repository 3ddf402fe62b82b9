"""What people see of the drive: the commands machine, suspects, compare, speeds, ring and load, and docs/parts.md."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from messages import check_lines, flat
from rich.cells import cell_len
from simulated_drives import BeltDrive, IdlerDrive, Rub
from study_drive import read
from test_report import measurement

from strobe.cli import ExitStatus, run
from strobe.drive.features import Reading
from strobe.drive.locking import TurnMap, turn_map
from strobe.drive.machine import read_machine
from strobe.errors import ClipUnreadable, Refused
from strobe.figures.results import SpeedSeries
from strobe.measurement import Measurement
from strobe.report.parts import parts_markdown
from strobe.report.plot import draw
from strobe.report.turns import MOST_LINES, RAMP, turn_map_lines

DECK = """
name = "bench deck (invented)"
drive = "belt"
platter_mm = 300
driven_mm = 160
pulley_mm = { 33 = 20.8, 45 = 28.3 }
belt_thickness_mm = 0.6
belt_length_mm = 567.5
motor = "synchronous"
poles = 24
mains_hz = 50
sprung = false
"""
SLOW = BeltDrive(shaft_rpm=250.0, pulley_off_m=1e-4)
DRIVES = {
    "pulley": SLOW,
    "pulley45": replace(SLOW, rpm=45.0, pulley_m=SLOW.pulley_m * 1.35),
    "mended": replace(SLOW, pulley_off_m=1e-5),
    "platter": replace(SLOW, driven_off_m=4e-4, pulley_off_m=5e-6),
    "dry": replace(SLOW, rub=Rub(unsteady_nm=1e-3), pulley_off_m=5e-6),
    "idler": IdlerDrive(flat_m=1e-4),
}


def measured(seen: Reading, path: str) -> Measurement:
    """A reading of a simulated drive, as a clip of it would give."""
    plain = measurement(clip={"path": path})
    assert seen.series is not None
    return replace(
        plain,
        clip=replace(plain.clip, frame_rate_hz=30.0, capture_rate_hz=30.0, duration_s=float(seen.series.time_s[-1])),
        setup=replace(plain.setup, nominal_rpm=seen.nominal_rpm),
        speed=replace(plain.speed, mean_rpm=seen.mean_rpm, revolutions=seen.revolutions),
        timing=replace(plain.timing, flash_rate_hz=None, flash_rate_source=None),
        components=seen.components,
        series=seen.series,
        fluctuation=seen.fluctuation,
    )


@lru_cache(maxsize=16)
def simulated(name: str, seconds: float) -> Reading:
    return read(DRIVES[name], 5, seconds=seconds, frame_rate_hz=30.0, noise_dots=5e-4)


class Bench:
    """Stands in for `strobe.measure`: the name of the clip is the drive that it shows, with its length in seconds."""

    def __init__(self) -> None:
        self.asked: list[dict[str, Any]] = []

    def __call__(self, path: str, **options: Any) -> Measurement:
        self.asked.append(options)
        name, _, seconds = Path(path).stem.partition("-")
        if name == "blurred":
            raise Refused("no-contrast", "The dots are a grey band.", "Switch the room light off.")
        if name == "missing":
            raise ClipUnreadable("there is no such file")
        return measured(simulated(name, float(seconds or 60)), path)


def strobe(*argv: str) -> tuple[int, str, str, list[dict[str, Any]]]:
    bench, out, err = Bench(), io.StringIO(), io.StringIO()
    status = run(argv, out=out, err=err, measure=bench)
    assert all(cell_len(line) <= 80 for line in out.getvalue().splitlines() if not line.startswith("{"))
    return status, out.getvalue(), check_lines(err), bench.asked


@pytest.fixture
def deck(tmp_path: Path) -> str:
    path = tmp_path / "deck.toml"
    path.write_text(DECK, encoding="utf-8")
    return str(path)


def test_a_machine_is_shown(deck: str) -> None:
    status, out, err, _ = strobe("machine", deck)
    assert (status, err) == (0, "")
    lines = out.splitlines()
    assert "bench deck (invented), belt drive" in lines[0]
    assert any(line.split() == ["belt", "0.89", "±0.03", "0.494", "2.02", "s", "0.494"] for line in lines)
    assert any(line.split() == ["motor", "pulley", "7.50", "±0.01", "4.17", "0.240", "s", "4.17"] for line in lines)
    assert any(line.split() == ["motor", "pulley", "5.56", "±0.01", "4.17", "0.240", "s", "4.17"] for line in lines)
    assert "33.31 rpm (-0.1 %)" in out
    assert "567.5 mm long, axes 120.0 mm apart" in out
    status, out, _, _ = strobe("machine", deck, "--json", "--fps", "60")
    machine = json.loads(out)
    assert machine["schema"] == "strobe.machine/1"
    hum = next(one for one in machine["speeds"][0]["parts"] if one["part"] == "hum")
    assert hum["seen_at_hz"] == pytest.approx(20)
    assert machine["speeds"][0]["spindle_distance_mm"] == pytest.approx(120, abs=0.1)


@pytest.mark.parametrize(("shaft", "shown"), [("2", "150 ±15"), ("8", "37.5 ±1"), ("40", "7.50 ±0.08")])
def test_times_a_turn_are_whole_numbers_where_the_spread_is(tmp_path: Path, shaft: str, shown: str) -> None:
    """Closed form: 300 / shaft, and 1.96 times that and the callipers' 0.1 mm with creep of 0.5 %."""
    path = tmp_path / "idler.toml"
    path.write_text(f'drive = "idler"\ndriven_mm = 300\nspeeds_rpm = [33]\npulley_mm = {{ 33 = {shaft} }}\n')
    status, out, err, _ = strobe("machine", str(path))
    assert (status, err) == (0, "")
    assert shown in next(line for line in out.splitlines() if "motor pulley" in line)


def test_an_unknown_part_is_named_with_what_it_needs(tmp_path: Path) -> None:
    (tmp_path / "bare.toml").write_text('drive = "idler"', encoding="utf-8")
    status, out, _, _ = strobe("machine", str(tmp_path / "bare.toml"))
    assert status == 0
    assert "UNKNOWN     idler: needs idler_mm and driven_mm" in out


def test_the_note_explains_what_is_shown_and_no_more(deck: str, tmp_path: Path) -> None:
    """A hum of 100 Hz folds at 30 pictures a second and not at 300; a bare idler drive on the mains swings nowhere."""
    note = strobe("machine", deck)[1].split("NOTE ")[1]
    assert all(words in note for words in ("broad hump", "Spreads", "Hz in clip: at 30 pictures"))
    _, out, _, _ = strobe("machine", deck, "--fps", "300")
    assert "Hz in clip" not in out
    (tmp_path / "bare.toml").write_text('drive = "idler"\nmotor = "induction"\n', encoding="utf-8")
    _, out, _, _ = strobe("machine", str(tmp_path / "bare.toml"))
    assert out.endswith("NOTE        What turns shows in narrow lines at whole multiples as well.\n")


def test_each_speed_says_what_it_lacks(tmp_path: Path) -> None:
    text = 'drive = "idler"\ndriven_mm = 280\nidler_mm = 45\nmotor = "servo"\npulley_mm = { 78 = 20, 16 = 9 }\n'
    (tmp_path / "deck.toml").write_text(text, encoding="utf-8")
    unknown = strobe("machine", str(tmp_path / "deck.toml"))[1].split("UNKNOWN")[1].split("NOTE")[0]
    assert [line.strip() for line in unknown.splitlines() if line] == [
        "motor pulley: needs pulley_mm at 33",
        "motor pulley: needs pulley_mm at 45",
    ]


def test_machine_usage_errors(deck: str, tmp_path: Path) -> None:
    for argv in (
        ["machine"],
        ["machine", str(tmp_path / "none.toml")],
        ["machine", deck, "--fps", "1"],
        ["machine", deck, "--new"],
        ["suspects", "pulley.mp4", "--machine", str(tmp_path / "none.toml")],
        ["suspects", "pulley.mp4", "--plot", str(tmp_path / "plot.gif")],
        ["suspects", "pulley.mp4", "--mains", "55"],
        ["ring", "pulley.mp4", "mended.mp4"],
        ["ring", "pulley.mp4", "mended.mp4", "--mark-a", "1", "--mark-b", "1", "--rim", "5"],
        ["ring", "pulley.mp4", "mended.mp4", "--mark-a", "1", "--mark-b", "99"],
        ["speeds", "pulley.mp4", "mended.mp4"],
        ["load", "pulley.mp4", "--at", "0.1"],
    ):
        status, out, err, _ = strobe(*argv)
        assert status == ExitStatus.USAGE, argv
        assert out == ""
        assert err


def test_a_machine_is_made_by_questions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "new.toml"
    answers = [
        *(
            "steam",
            "belt",
            "my deck",
            "33,45",
            "12,5",
            "33, 45",
            "synchronous",
            "50",
            "24",
            "",
            "300",
            "1600",
            "160",
            "",
        ),
        *("45", "33=20.8 45=28,3", "0,6", "", "567.5", "", "180 216", "maybe", "no", ""),
    ]
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(answers) + "\n"))
    status, out, err, _ = strobe("machine", str(path), "--new")
    assert status == 0, err
    assert "my deck, belt drive" in out
    machine = read_machine(path)
    assert machine.driven_mm == 160
    assert dict(machine.pulley_mm) == {100 / 3: 20.8, 45.0: 28.3}
    assert machine.belt_thickness_mm == 0.6
    assert machine.dots == (180, 216)
    assert machine.sprung is False
    assert "'12,5' may be one number or two; part them by blanks" in flat(err)
    assert "'steam' is none of belt, idler, direct" in err
    assert "'45' does not say at which speed; write it as in 33=20.8" in flat(err)
    assert "driven_mm is 1600" in err
    assert "true or false" in err
    assert "Pulley's diameter in mm without belt, at each speed, as in 33=20.8" in err
    assert "bare" not in err + path.read_text(encoding="utf-8").lower(), "that is a platter's word here: nothing on it"


def test_only_a_belt_drive_is_asked_for_diameters_without_belt(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("idler\n" + "\n" * 20))
    _, _, err, _ = strobe("machine", str(tmp_path / "new.toml"), "--new")
    assert "Pulley's diameter in mm at each speed, as in 33=20.8" in err
    assert "without belt" not in err


def test_questions_that_end_early_write_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("belt\n"))
    status, _, _, _ = strobe("machine", str(tmp_path / "new.toml"), "--new")
    assert status == ExitStatus.INTERRUPTED
    assert not list(tmp_path.iterdir())


def test_suspects_of_a_described_machine(deck: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    status, out, err, asked = strobe("suspects", "pulley.mp4", "--machine", deck, "--plot", "turns.png")
    assert (status, err) == (0, "")
    assert "ANSWER      Most likely: motor pulley or motor shaft." in out
    assert "1. SUSPECT  motor pulley" in out
    assert "off centre by" in out
    assert "creeps along the platter's angle" in out
    assert "NEXT        Watch the turning pulley's edge" in out
    assert "CAUTION     Unplug before you touch" in out
    assert asked[0]["mains"] == 50
    assert Path("turns.png").read_bytes().startswith(b"\x89PNG")
    # The turn map slants: what is at the left in one turn is elsewhere in the next.
    rows = [line[17:] for line in out.splitlines() if line[:12] == 12 * " " and line[12:16].strip().isdigit()]
    assert len(rows) >= 33
    assert rows[0] != rows[1]


def test_suspects_of_an_undescribed_machine() -> None:
    status, out, _, _ = strobe("suspects", "idler.mp4")
    assert status == 0
    assert "most like an idler" in out
    assert "idler." in out
    status, out, _, _ = strobe("suspects", "dry.mp4")
    assert "broad hump" in out


def test_suspects_that_need_more_film_say_so(deck: str) -> None:
    status, out, _, _ = strobe("suspects", "platter-12.mp4", "--machine", deck)
    assert status == 0
    assert "ANSWER      Can't tell yet" in out
    assert "NEXT        Film 60 s" in out
    assert "REMEDY" not in out
    # Nobody said that there is no belt.
    status, out, _, _ = strobe("suspects", "platter-12.mp4")
    assert "ANSWER      Can't tell yet" in out


def test_suspects_as_json(deck: str) -> None:
    status, out, _, _ = strobe("suspects", "pulley.mp4", "--machine", deck, "--json")
    assert status == 0
    told = json.loads(out)
    assert told["schema"] == "strobe.suspects/1"
    assert told["answer"] == "pulley"
    assert told["suspects"][0]["size"]["mm"][0] < 0.1 < told["suspects"][0]["size"]["mm"][1]
    status, out, _, _ = strobe("suspects", "blurred.mp4", "--json")
    assert status == ExitStatus.REFUSED
    assert json.loads(out)["reason"] == "no-contrast"
    status, out, err, _ = strobe("suspects", "missing.mp4")
    assert status == ExitStatus.UNREADABLE
    assert out == ""
    assert "no such file" in err


def test_measure_names_the_part_of_a_described_machine(deck: str) -> None:
    status, out, _, _ = strobe("measure", "pulley.mp4", "--machine", deck)
    assert status == 0
    assert "SUSPECT     every 0.240 s: motor pulley" in out
    status, out, _, _ = strobe("measure", "pulley.mp4", "--machine", deck, "--json")
    assert "motor pulley" in {one["suspect"] for one in json.loads(out)["components"]}
    status, out, _, _ = strobe("measure", "pulley.mp4")
    assert "SUSPECT" not in out


def test_before_and_after() -> None:
    status, out, err, _ = strobe("compare", "pulley.mp4", "mended.mp4")
    assert (status, err) == (0, "")
    assert "weighted peak" in out
    status, out, _, _ = strobe("compare", "pulley.mp4", "mended.mp4", "--json")
    assert json.loads(out)["conditions_differ"] == []
    status, out, err, _ = strobe("compare", "pulley.mp4", "blurred.mp4")
    assert status == ExitStatus.REFUSED
    assert out == ""


def test_conditions_that_differ_are_said() -> None:
    from strobe.report.twoclips import cautions_text, different_conditions

    one = measurement()
    other = replace(
        one,
        clip=replace(one.clip, capture_rate_hz=60.0),
        setup=replace(one.setup, dots=one.setup.dots + 6),
        timing=replace(one.timing, line="camera" if one.timing.line == "lamp" else "lamp"),
    )
    assert different_conditions(one, one) == []
    assert len(different_conditions(one, other)) == 3
    moved = replace(one, dot_pitch_px=1.3 * one.dot_pitch_px)
    assert "camera stood elsewhere" in different_conditions(one, moved)[0]
    assert "BEWARE" in cautions_text(different_conditions(one, moved)).plain


def test_two_speeds(deck: str) -> None:
    status, out, err, _ = strobe("speeds", "pulley.mp4", "pulley45.mp4", "--machine", deck)
    assert (status, err) == (0, "")
    assert "keeps its Hz (4.17 Hz)" in out
    assert "stepped pulley" in out
    status, out, _, _ = strobe("speeds", "pulley.mp4", "pulley45.mp4", "--json")
    told = json.loads(out)
    assert told["wobbles"][0]["keeps"] == "rate"


def test_ring() -> None:
    argv = ["ring", "platter.mp4", "platter.mp4", "--mark-a", "2", "--mark-b", "2"]
    status, out, err, _ = strobe(*argv, "--rim", "300")
    assert (status, err) == (0, "")
    # The same clip twice: all of it keeps its phase from the mark on, so it is the ring's.
    assert "the platter's speed ±0.00" in out
    assert "mm (±" in out
    status, out, _, _ = strobe(*argv, "--json")
    told = json.loads(out)
    assert told["parts"][0]["ring_percent"] > 0.3
    assert told["ring_off_centre_mm"] is None
    status, out, _, _ = strobe(*argv)
    assert "With --rim-mm MM" in out


def test_a_load_that_is_none() -> None:
    status, out, _, _ = strobe("load", "pulley.mp4", "--at", "20")
    assert status == 0
    assert "nothing stands out of its usual swings" in out
    status, out, _, _ = strobe("load", "pulley.mp4")
    assert "No load is seen" in out
    status, out, _, _ = strobe("load", "pulley.mp4", "--json")
    assert json.loads(out)["load"] is None


def test_a_load_that_came_too_near_the_end() -> None:
    """Found without --at, one turn and a little before the end: the reading is shown, and why nothing is told of it."""
    time = np.arange(1200) / 30
    drop = np.where(time >= 37.8, -0.5, 0.0) + 0.01 * np.random.default_rng(1).standard_normal(time.size)
    seen = replace(measurement(), series=SpeedSeries(time, time * 5 / 9, drop))
    for argv in ([], ["--json"]):
        out, err = io.StringIO(), io.StringIO()
        assert run(["load", "clip.mp4", *argv], out=out, err=err, measure=lambda *_, **__: seen) == 0
        assert err.getvalue() == ""
        if argv:
            told = json.loads(out.getvalue())
            assert (told["load"], len(told["events"])) == (None, 1)
        else:
            assert "LOAD        Not told: a load at 37.8 s needs one turn before it" in out.getvalue()
            assert "at 37.8 s: jump" in out.getvalue()


def test_the_turn_map_in_characters() -> None:
    time = np.arange(1800) / 30
    angle = time * 0.6
    value = 0.3 * np.sin(2 * np.pi * angle)
    lines = turn_map_lines(turn_map(SpeedSeries(time, angle, value)), width=68)
    assert all(len(line) <= 68 for line in lines)
    assert lines[0].startswith("turn 0")
    rows = [line[5:] for line in lines if line[:3].strip().isdigit()]
    assert len(rows) == MOST_LINES
    assert lines[-2] == "1 more turn not shown"
    two_more = TurnMap(np.arange(2.0 * (MOST_LINES + 2)).reshape(-1, 2))
    assert turn_map_lines(two_more, width=40)[-2] == "2 more turns not shown"
    # Fast in the first half of a turn, slow in the second, upright from turn to turn.
    assert set(rows[3][10:20]) <= set(RAMP[-3:])
    assert set(rows[3][40:50]) <= set(RAMP[:3])
    narrow = turn_map_lines(turn_map(SpeedSeries(time, angle, value)), width=40)
    assert all(len(line) <= 40 for line in narrow)


def test_the_turn_map_in_the_plot() -> None:
    whole = measured(simulated("pulley", 20.0), "a.mp4")
    figure = draw(whole)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert any("turn map" in title for title in titles)
    mesh = next(axes for axes in figure.axes if "turn map" in axes.get_title(loc="left")).collections[0]
    assert mesh.get_cmap().name == "cividis"
    assert np.asarray(mesh.get_array()).shape == (11, 60)


def test_the_page_is_the_table() -> None:
    page = Path(__file__).parents[1] / "docs" / "parts.md"
    assert page.read_text(encoding="utf-8") == parts_markdown(), (
        "make it again: python -c \"from strobe.report.parts import parts_markdown; print(parts_markdown(), end='')\" "
        "> docs/parts.md"
    )
