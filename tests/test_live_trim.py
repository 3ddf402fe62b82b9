"""The guided trim: its steps by themselves, and one run rehearsed from end to end with a rendered machine."""

from __future__ import annotations

import json
import wave
from collections.abc import Iterator
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Self

import numpy as np
import pytest
from live_scenes import SMALLEST, rendered, turned_scene
from messages import check_lines, flat
from test_report import measurement

from strobe.bench import open_log
from strobe.capture import Frame, open_clip
from strobe.cli import run as command
from strobe.cli.trim import outcome_words
from strobe.errors import ClipUnreadable
from strobe.live.records import LiveUpdate
from strobe.live.trim import CAUTIONS, Found, TrimRun
from strobe.live.warmup import WarmUpWatch

LOW, HIGH = 100 / 3, 45.0
TO_45 = 35.0
TRUE_FOUND_45, TRUE_LEFT_45 = (100 * (100 / 3 * share / 45 - 1) for share in (1.356, 1.3505))


def steady(rpm: float, deviation: float, *, turns: int = 4, unsure: float = 0.01) -> LiveUpdate:
    return LiveUpdate(
        1.0, "steady", deviation_percent=deviation, uncertainty_percent=unsure, nominal_rpm=rpm, turns=turns
    )


def through(steps: TrimRun, *figures: tuple[float, float]) -> list[str]:
    met = []
    for figure in figures:
        met.append(steps.step)
        steps.take(steady(*figure))
        assert steps.done() == ""
    return met


def begun(*, high: float | None = -0.3) -> TrimRun:
    """A run up to the first trimming; 33 1/3 found 0.8 % fast."""
    steps = TrimRun(0.1)
    through(steps, (LOW, 0.8), (LOW, 0.8), (LOW, 0.8))
    if high is None:
        assert steps.leave_out() == ""
    else:
        through(steps, (HIGH, high))
    return steps


class TestSteps:
    def test_in_one_round(self) -> None:
        steps = TrimRun(0.1)
        met = through(steps, (LOW, 0.9), (LOW, 0.8), (LOW, 0.8), (HIGH, -0.3))
        met += through(steps, (LOW, 0.02), (HIGH, -0.05), (LOW, 0.03), (LOW, -6.1), (LOW, 5.9))
        assert met[:4] == ["centre", "warm-up", "low as found", "high as found"]
        assert met[4:] == ["low", "high", "low again", "slow stop", "fast stop"]
        assert steps.step == "end"
        report = steps.report()
        assert [one.deviation_percent for one in report.as_found] == [0.8, -0.3]
        assert [one.deviation_percent for one in report.as_left] == [0.03, -0.05]
        assert [one.deviation_percent for one in report.pitch_range] == [-6.1, 5.9]
        assert (report.rounds, report.outcome, report.not_read_rpm) == (1, "inside", ())
        assert report.settled_after_s is None

    def test_again_until_both_are_inside(self) -> None:
        steps = begun()
        through(steps, (LOW, 0.02), (HIGH, 0.05), (LOW, 0.4))
        met = through(steps, (LOW, 0.02), (HIGH, -0.4), (HIGH, 0.01), (LOW, 0.03))
        assert met == ["low anew", "high again", "high anew", "low again"]
        assert steps.step == "slow stop"
        assert (steps.report().rounds, steps.report().outcome) == (3, "inside")

    @pytest.mark.parametrize(("low_by_high", "high_by_low"), [(0.0, 0.0), (0.5, 0.0), (0.0, 1.0), (0.4, 0.5)])
    def test_both_figures_hold_where_the_trimmers_move_each_other(self, low_by_high: float, high_by_low: float) -> None:
        """A machine whose each trimmer moves the other speed by so much of its own; what is said last is what is."""
        low, high = 0.8, -1.5

        def now(rpm: float) -> float:
            return low + low_by_high * high if rpm == LOW else high + high_by_low * low

        steps = TrimRun(0.1)
        while steps.step != "slow stop":
            rpm = HIGH if steps.step.startswith("high") else LOW
            steps.take(steady(rpm, now(rpm)))
            if steps.step in ("low", "low anew"):
                low -= now(LOW)
            elif steps.step in ("high", "high anew"):
                high -= now(HIGH)
            steps.take(steady(rpm, now(rpm)))
            assert steps.done() == ""
        report = steps.report()
        assert report.outcome == "inside"
        assert {one.nominal_rpm: one.deviation_percent for one in report.as_left} == {LOW: now(LOW), HIGH: now(HIGH)}

    def test_a_speed_that_moves_while_it_is_only_read_has_the_other_read_again(self) -> None:
        steps = begun()
        through(steps, (LOW, 0.0), (HIGH, 0.0))
        steps.take(steady(LOW, 0.3))
        through(steps, (LOW, 0.0))
        assert steps.step == "high again"
        assert (steps.report().outcome, steps.report().not_read_rpm) == ("undecided", (HIGH,))
        through(steps, (HIGH, -0.3))
        assert steps.report().outcome == "outside"
        through(steps, (HIGH, 0.0), (LOW, 0.0))
        assert (steps.step, steps.report().outcome) == ("slow stop", "inside")

    def test_it_ends_though_a_speed_never_stands_still(self) -> None:
        steps = begun()
        through(steps, (LOW, 0.0), (HIGH, 0.0))
        while steps.step != "slow stop":
            rpm = LOW if steps.step.startswith("low") else HIGH
            steps.take(steady(rpm, 0.05))
            through(steps, (rpm, 0.0))
        assert (steps.report().rounds, steps.report().outcome) == (8, "undecided")

    @pytest.mark.parametrize(
        ("low", "unsure", "outcome", "rounds"),
        [
            *((0.02, 0.01, "inside", 1), (0.095, 0.01, "undecided", 8), (0.105, 0.01, "undecided", 8)),
            *((0.12, 0.01, "outside", 8), (0.0, 0.4, "undecided", 1), (0.15, 0.2, "undecided", 1)),
            (0.9, 0.4, "outside", 8),
        ],
    )
    def test_the_uncertainty_is_a_guard_band(self, low: float, unsure: float, outcome: str, rounds: int) -> None:
        """33 1/3 always stands where it stands; it is trimmed again only where that could tell more."""
        steps = begun()
        while steps.step != "slow stop":
            figure = (HIGH, 0.0) if steps.step.startswith("high") else (LOW, low)
            steps.take(steady(*figure, unsure=unsure))
            assert steps.done() == ""
        assert (steps.report().outcome, steps.report().rounds) == (outcome, rounds)

    def test_it_gives_up_the_rounds_at_last(self) -> None:
        steps = begun()
        through(steps, (LOW, 0.8), (HIGH, 0.5))
        last = ((LOW, 0.8), (LOW, 0.8), (HIGH, 0.5))
        met = through(steps, *(*last, (HIGH, 0.5)) * 3, *last)
        assert met == [*["low again", "low anew", "high again", "high anew"] * 3, "low again", "low anew", "high again"]
        assert steps.step == "slow stop"
        assert (steps.report().rounds, steps.report().outcome) == (8, "outside")

    def test_a_trimming_that_did_not_get_there_is_asked_for_again(self) -> None:
        steps = begun()
        met = through(steps, (LOW, 0.0), (HIGH, 0.4), (LOW, 0.0), (HIGH, 0.0), (LOW, 0.0))
        assert met == ["low", "high", "low again", "high anew", "low again"]
        assert (steps.step, steps.report().outcome) == ("slow stop", "inside")

    def test_the_warm_up_ends_by_itself(self) -> None:
        steps = TrimRun(0.1, watch=WarmUpWatch(interval_s=10))
        through(steps, (LOW, 0.8))
        for at in range(200):
            steps.take(replace(steady(LOW, 0.8 - 0.4 * np.exp(-at / 15)), time_s=float(at)))
            if steps.step != "warm-up":
                break
        assert steps.step == "low as found"
        assert steps.report().settled_after_s == pytest.approx(at, abs=1)
        assert 60 < at < 150

    def test_what_is_not_done(self) -> None:
        steps = TrimRun(0.1)
        assert "Not yet" in steps.done()
        steps.take(steady(LOW, 0.1, turns=1))
        assert "Not yet" in steps.done()
        steps.take(steady(HIGH, 0.1))
        assert steps.done() == "33 1/3 is not on."
        assert steps.leave_out() == "This step can't be left out."
        steps = begun(high=None)
        assert [one.nominal_rpm for one in steps.report().as_found] == [LOW]
        through(steps, (LOW, 0.0))
        steps.take(steady(LOW, 0.0))
        assert steps.done() == "45 is not on."
        steps.take(LiveUpdate(2.0, "lost"))
        assert "Not yet" in steps.done()

    def test_what_is_found_and_left_is_never_what_stood_at_the_stops(self) -> None:
        steps = begun()
        through(steps, (LOW, 0.02), (HIGH, 0.03), (LOW, 0.01), (LOW, -6.0))
        steps.take(steady(LOW, 5.0))
        report = steps.report()
        assert [one.deviation_percent for one in report.as_left] == [0.01, 0.03]
        assert len(report.pitch_range) == 1


def test_the_outcome_in_words() -> None:
    steps = begun()
    untrimmed = (
        "undecided whether both speeds are inside ±0.1 %: 33 1/3 and 45 rpm were not read after the last trimming"
    )
    assert outcome_words(steps.report()) == untrimmed
    through(steps, (LOW, 0.0))
    assert outcome_words(steps.report()).endswith("±0.1 %: 45 rpm was not read after the last trimming")
    through(steps, (HIGH, 0.0))
    assert outcome_words(steps.report()).endswith("±0.1 %: 33 1/3 rpm was not read after the last trimming")
    whole = steps.report()
    left = tuple(Found(rpm, 0.09, 0.03, 1.0) for rpm in (LOW, HIGH))
    read = replace(whole, as_left=left, not_read_rpm=(), rounds=2)
    assert outcome_words(replace(read, outcome="inside")) == "both speeds are inside ±0.1 %, after 2 rounds"
    assert outcome_words(replace(read, outcome="outside")) == "not both speeds are inside ±0.1 %, after 2 rounds"
    assert outcome_words(read).endswith("after 2 rounds: the uncertainty reaches over the edge; trim nearer to 0")
    rough = replace(read, as_left=(left[0], replace(left[1], uncertainty_percent=0.21)))
    assert outcome_words(rough).endswith("after 2 rounds: no closer than ±0.21 % could be told")


def test_a_reading_of_a_speed_that_may_have_moved_is_not_filed() -> None:
    steps, reading = begun(), measurement()
    for figure in ((LOW, 0.0), (HIGH, 0.0)):
        steps.take(steady(*figure))
        assert steps.done(reading) == ""
    assert steps.measured == ((True, reading),), "45, but not 33 1/3, which that may have moved"


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """33 1/3 found 0.8 % fast and 45 1.3 % fast; both trimmed, 33 1/3 once more, then the stops."""
    knots = (
        *((0.0, 0.8), (9.0, 0.8), (10.0, TO_45 + 0.6), (20.0, TO_45 + 0.6)),
        *((21.0, 0.8), (25.0, 0.8), (26.5, 0.03), (33.0, 0.03)),
        *((34.0, TO_45 + 0.05), (45.0, TO_45 + 0.05), (46.0, 0.02), (56.0, 0.02)),
        *((57.0, -3.0), (63.0, -3.0), (64.5, 3.2), (71.0, 3.2)),
    )
    scene = turned_scene(*knots, seconds=71, camera=SMALLEST)
    return rendered(scene, tmp_path_factory.mktemp("trim") / "trimmed.mp4")


def test_a_rehearsed_run_from_end_to_end(rehearsal: Path, tmp_path: Path) -> None:
    out, err, kept, log = StringIO(), StringIO(), tmp_path / "kept.json", tmp_path / "bench.sqlite"
    tone = tmp_path / "tone.wav"
    with open_log(log) as bench:
        bench.open_job("deck 12")
    ends = (6.0, 6.6, 8.0, 19.5, 32.5, 44.5, 55.5, 62.8, 70.5)
    times = [value for at in ends for value in ("--done-at", str(at))]
    filing = ["--keep", str(kept), "--job", "deck 12", "--log", str(log), "--tone-file", str(tone)]
    status = command(["trim", str(rehearsal), "--pace", "0", *filing, *times], out=out, err=err)
    said = " ".join(out.getvalue().split())
    assert status == 0, out.getvalue() + err.getvalue()
    assert said.startswith("CAUTION")
    for caution in CAUTIONS:
        assert caution in said
    words: tuple[str, ...] = (
        CAUTIONS[-1],
        "centre mark",
        "run warm",
        "Turn nothing yet",
        "Switch to 45 and turn nothing",
    )
    words += ("Switch back to 33 1/3 and trim", "Switch to 45 and trim", "trimmers interact", "slow stop", "fast stop")
    places = [said.index(one) for one in words]
    assert places == sorted(places)
    assert max(len(line) for line in out.getvalue().splitlines()) <= 80
    assert out.getvalue().count("PITCH STOP") == 2
    report = json.loads(kept.read_text())
    found = {round(one["nominal_rpm"]): one["deviation_percent"] for one in report["as_found"]}
    left = {round(one["nominal_rpm"]): one["deviation_percent"] for one in report["as_left"]}
    assert found[33] == pytest.approx(0.8, abs=0.03)
    assert found[45] == pytest.approx(TRUE_FOUND_45, abs=0.03)
    assert left[33] == pytest.approx(0.02, abs=0.03)
    assert left[45] == pytest.approx(TRUE_LEFT_45, abs=0.03)
    assert [one["deviation_percent"] for one in report["pitch_range"]] == pytest.approx([-3.0, 3.2], abs=0.05)
    assert (report["outcome"], report["not_read_rpm"], report["band_percent"]) == ("inside", [], 0.1)
    assert "RESULT both speeds are inside ±0.1 %, after one round" in said
    with open_log(log) as bench:
        readings = bench.job("deck 12").readings
    speeds = [one.measurement.speed for one in readings]
    truths = [0.8, TRUE_FOUND_45, 0.02, TRUE_LEFT_45]
    assert [one.deviation_percent for one in speeds] == pytest.approx(truths, abs=0.03)
    for speed, truth in zip(speeds, truths, strict=True):
        assert abs(speed.deviation_percent - truth) < speed.uncertainty_percent + 0.002
    assert [one.repair_id is None for one in readings] == [True, True, False, False]
    with wave.open(str(tone)) as sound:
        assert sound.getnframes() / sound.getframerate() == pytest.approx(71, abs=0.5)


class CutShort(Iterator[Frame]):
    """A source that fails after its first picture."""

    def __init__(self, path: Path) -> None:
        self._clip = open_clip(path)
        self.facts, self.close = self._clip.facts, self._clip.close

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __next__(self) -> Frame:
        frame = next(self._clip)
        if frame.index:
            raise ClipUnreadable("the cable came off")
        return frame


def test_it_says_why_there_are_no_more_pictures(rehearsal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("strobe.cli.trim.open_live_source", lambda *_, **__: CutShort(rehearsal))
    out, err = StringIO(), StringIO()
    assert command(["trim", str(rehearsal), "--pace", "0"], out=out, err=err) == 5
    assert err.getvalue() == "strobe: the cable came off\n"
    assert "undecided whether both speeds are inside" in out.getvalue()


def test_a_job_that_is_not_there(rehearsal: Path, tmp_path: Path) -> None:
    out, err, log = StringIO(), StringIO(), tmp_path / "bench.sqlite"
    with open_log(log) as bench:
        bench.open_job("deck 12")
    assert command(["trim", str(rehearsal), "--job", "deck 13", "--log", str(log)], out=out, err=err) == 2
    assert "deck 13" in flat(check_lines(err))
    assert out.getvalue() == "", "nothing has begun"
