"""The live readout over clips played frame by frame: what it says as a hand turns the control, and what befalls it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from io import StringIO
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from live_scenes import LONG_SHUTTER, SMALLEST, Meddled, carried, covered, darkened, rendered, shifted, turned_scene
from messages import check_lines, flat
from numpy.typing import ArrayLike, NDArray

from strobe.capture import Frame
from strobe.cli import run as command
from strobe.errors import Refused
from strobe.live import LiveOptions, LiveOutcome, LiveRun, LiveUpdate, follower
from strobe.live.instruct import instruction_for
from strobe.live.recognise import Recognised, recognise
from strobe.live.sight import Sight
from strobe.measurement import Measurement
from strobe.measuring import Told, measure_reading
from strobe.pattern import stepwise
from strobe.pattern.stepwise import FrameReading, PatternReader
from strobe.render import Lamp, Wobble, truth_of

AFTER_S = 2.0
"""The mean follows the knob within two seconds."""
CLOSE_PERCENT = 0.02
FAST_PERCENT = 0.8
KNOB = ((0.0, 1.0), (8.0, 1.0), (10.0, -0.25), (15.0, -0.25), (16.0, 0.0), (22.0, 0.0))
FOUND_S = 2.0
BAND_PERCENT = 0.1
SWAY_HZ = 0.35


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("live")


@pytest.fixture(scope="module")
def even_clip(folder: Path) -> Path:
    return rendered(turned_scene((0.0, FAST_PERCENT), seconds=16), folder / "even.mp4")


@pytest.fixture(scope="module")
def knob_clip(folder: Path) -> Path:
    return rendered(turned_scene(*KNOB, seconds=22), folder / "knob.mp4")


def same(frame: Frame) -> Frame:
    return frame


def followed(
    path: Path,
    change: Callable[[Frame], Frame | None] = same,
    options: LiveOptions | None = None,
    *,
    for_s: float | None = None,
) -> tuple[list[LiveUpdate], LiveOutcome]:
    with LiveRun(Meddled(path, change), options or LiveOptions(), pace=0, for_s=for_s) as run:
        updates = list(run)
        return updates, run.outcome()


@pytest.mark.parametrize("dots", [None, 180])
def test_what_the_run_has_found_itself_does_not_count_as_given(
    even_clip: Path, monkeypatch: pytest.MonkeyPatch, dots: int | None
) -> None:
    """Else the advice of a refusal would ask to check an option that nobody gave."""
    told: list[Told] = []

    def measured(reading: Any, known: Told) -> Measurement:
        told.append(known)
        return measure_reading(reading, known)

    monkeypatch.setattr("strobe.live.recognise.measure_reading", measured)
    followed(even_clip, options=LiveOptions(dots=dots))
    assert told[-1].dots is not None
    assert told[-1].nominal_rpm is not None
    assert {known.given("--dots") for known in told} == {None if dots is None else "180"}
    assert {known.given("--rpm") for known in told} == {None}


class Doubled(Meddled):
    """Each picture once more, half an interval later."""

    _again: Frame | None = None

    def __next__(self) -> Frame:
        if self._again is not None:
            frame, self._again = self._again, None
            return frame
        frame = super().__next__()
        self._again = replace(frame, time_s=frame.time_s + 1 / 60)
        return frame


def check_figures(updates: list[LiveUpdate], truth_percent: float) -> None:
    """Every figure holds by its own uncertainty, and none is told where there is none."""
    for update in updates:
        if update.deviation_percent is None:
            assert update.state in ("searching", "settling", "lost")
            assert update.uncertainty_percent is None
            assert update.creep_dots_per_minute is None
            assert update.instruction == "wait"
            assert update.message
        else:
            assert update.uncertainty_percent is not None
            assert update.state in ("settling", "steady")
            assert abs(update.deviation_percent - truth_percent) < update.uncertainty_percent + 0.002


def between(updates: list[LiveUpdate], begin_s: float, end_s: float) -> list[LiveUpdate]:
    return [one for one in updates if begin_s <= one.time_s < end_s]


@pytest.fixture(scope="module")
def turned(knob_clip: Path) -> tuple[list[LiveUpdate], LiveOutcome]:
    return followed(knob_clip)


class TestKnob:
    @pytest.mark.parametrize(("stops_s", "until_s", "truth_percent"), [(10.0, 15.0, -0.25), (16.0, 22.0, 0.0)])
    def test_the_figure_is_right_two_seconds_after_the_knob_stops(
        self, turned: tuple[list[LiveUpdate], LiveOutcome], stops_s: float, until_s: float, truth_percent: float
    ) -> None:
        seen = between(turned[0], stops_s + AFTER_S, until_s)
        assert len(seen) > 10
        for update in seen:
            assert update.deviation_percent is not None
            assert update.deviation_percent == pytest.approx(truth_percent, abs=CLOSE_PERCENT)
            assert update.uncertainty_percent is not None
            assert abs(update.deviation_percent - truth_percent) < update.uncertainty_percent

    def test_the_instruction_is_right_at_all_times(self, turned: tuple[list[LiveUpdate], LiveOutcome]) -> None:
        """Against the true mean of the last turn; either word where that is near the band's edge."""
        at, value = np.array(KNOB).T
        turn_s = 1.8
        checked = set()
        for update in turned[0]:
            if update.deviation_percent is None:
                continue
            truth = float(np.mean(np.interp(update.time_s - np.linspace(0, turn_s, 91), at, value)))
            edge = abs(abs(truth) - BAND_PERCENT) < 0.07
            if abs(truth) < BAND_PERCENT:
                assert update.instruction == "stop" or edge
            else:
                way = "slower" if truth > 0 else "faster"
                assert way in update.instruction or (edge and update.instruction == "stop")
            checked.add(update.instruction)
        assert {"slower", "a little slower", "stop", "a little faster"} <= checked

    def test_it_is_steady_only_while_nobody_turns(self, turned: tuple[list[LiveUpdate], LiveOutcome]) -> None:
        assert all(one.state == "settling" for one in between(turned[0], 8.6, 10.0))
        assert any(one.state == "steady" for one in between(turned[0], 6.0, 8.0))
        assert any(one.state == "steady" for one in between(turned[0], 14.0, 15.0))

    def test_wobble_once_a_turn_does_not_make_the_figure_dance(
        self, turned: tuple[list[LiveUpdate], LiveOutcome]
    ) -> None:
        figures = [one.deviation_percent for one in between(turned[0], 5.0, 8.0) if one.deviation_percent is not None]
        assert np.ptp(figures) < 0.01, "the wobble is 0.1 % to each side"

    def test_the_creep_is_what_the_eye_counts(self, turned: tuple[list[LiveUpdate], LiveOutcome]) -> None:
        for update in between(turned[0], 5.0, 8.0):
            assert update.creep_dots_per_minute == pytest.approx(60.0, abs=1.0)

    def test_of_a_few_turns_no_steadiness_is_told(self, turned: tuple[list[LiveUpdate], LiveOutcome]) -> None:
        """No speed of this run lasts for five turns."""
        assert {one.steadiness_percent for one in turned[0]} == {None}

    def test_the_last_word_is_the_settled_part(self, turned: tuple[list[LiveUpdate], LiveOutcome]) -> None:
        outcome = turned[1]
        assert isinstance(outcome.measurement, Measurement)
        speed = outcome.measurement.speed
        assert abs(speed.deviation_percent) < speed.uncertainty_percent + 0.002
        assert outcome.ended == "source"
        assert outcome.skipped == 0


class TestFirstSeconds:
    def test_a_hand_that_turns_as_soon_as_there_is_a_figure(self, folder: Path) -> None:
        """Before it can be told how much single turns scatter: their change is not to be taken for scatter."""
        knots = ((0.0, FAST_PERCENT), (4.2, FAST_PERCENT), (5.7, 0.0), (12.0, 0.0))
        updates, _ = followed(rendered(turned_scene(*knots, seconds=12, camera=LONG_SHUTTER), folder / "soon.mp4"))
        seen = between(updates, 5.7 + AFTER_S, 12.0)
        assert len(seen) > 10
        for update in seen:
            assert update.deviation_percent is not None
            assert update.uncertainty_percent is not None
            assert abs(update.deviation_percent) < update.uncertainty_percent
            assert update.instruction == "stop"

    def test_a_wobble_that_is_no_multiple_of_the_turn_does_not_make_the_state_dance(self, folder: Path) -> None:
        wobbles = (Wobble(0.12, per_revolution=1.0), Wobble(0.28, per_revolution=6.22))
        scene = turned_scene((0.0, 0.6), seconds=12, wobbles=wobbles, camera=LONG_SHUTTER)
        updates, _ = followed(rendered(scene, folder / "uneven.mp4"))
        states = [one.state for one in updates if one.deviation_percent is not None]
        assert states[-1] == "steady"
        assert sum(one != other for one, other in pairwise(states)) == 1

    def test_the_steadiness_holds_by_its_own_uncertainty(self, folder: Path) -> None:
        scene = turned_scene((0.0, FAST_PERCENT), seconds=12, camera=LONG_SHUTTER)
        truth = truth_of(scene).weighted_2sigma_percent
        updates, _ = followed(rendered(scene, folder / "steadiness.mp4"))
        told = [one for one in updates if one.steadiness_percent is not None]
        assert len(told) > 10
        for update in told:
            assert update.turns_gathered >= 5
            assert update.steadiness_percent is not None
            assert update.steadiness_uncertainty_percent is not None
            assert abs(update.steadiness_percent - truth) < update.steadiness_uncertainty_percent


class TestWhatBefallsIt:
    def test_lights_off_and_on(self, even_clip: Path) -> None:
        updates, outcome = followed(even_clip, lambda one: darkened(one) if 7 <= one.time_s < 10 else one)
        check_figures(updates, FAST_PERCENT)
        dark = between(updates, 7.6, 10.0)
        assert {one.state for one in dark} == {"lost"}
        assert "dark" in dark[-1].message
        assert between(updates, 10.0 + AFTER_S + 0.5, 13.0)[0].deviation_percent is not None
        assert outcome.measurement is not None

    def test_a_hand_before_the_lens(self, even_clip: Path) -> None:
        updates, _ = followed(even_clip, lambda one: covered(one) if 7 <= one.time_s < 9 else one)
        check_figures(updates, FAST_PERCENT)
        assert {one.state for one in between(updates, 7.6, 9.0)} == {"lost"}
        assert between(updates, 9.0 + FOUND_S, 16.0)[0].state == "settling"
        assert updates[-1].state == "steady"

    @pytest.mark.parametrize("away_s", [4.0, 4.25, 4.5])
    def test_what_the_hand_hid_is_no_part_of_what_is_found_again(self, even_clip: Path, away_s: float) -> None:
        with Meddled(even_clip, lambda one: covered(one) if 2 <= one.time_s < away_s else one) as source:
            sight = Sight(source.facts)
            read = [one.time_s for frame in source if frame.time_s < away_s + FOUND_S for one in sight.take(frame)]
        assert sight.in_sight
        assert sight.since_s >= away_s
        assert not [at_s for at_s in read if 2.5 < at_s < away_s]
        assert max(read) > away_s + 1

    def test_the_camera_is_moved(self, even_clip: Path) -> None:
        def moved(one: Frame) -> Frame:
            share = float(np.clip((one.time_s - 7) / 0.7, 0, 1))
            return shifted(one, round(20 * share) * 2, -round(12 * share) * 2)

        updates, _ = followed(even_clip, moved)
        check_figures(updates, FAST_PERCENT)
        lost = between(updates, 7.5, 8.6)
        assert {one.state for one in lost} == {"lost"}
        assert "moves" in lost[0].message
        found = between(updates, 7.7 + FOUND_S + 0.4, 16.0)[0]
        assert found.state == "settling"
        assert updates[-1].state == "steady"

    def test_a_small_knock(self, even_clip: Path) -> None:
        updates, _ = followed(even_clip, lambda one: one if one.time_s < 7 else shifted(one, 4, 2))
        check_figures(updates, FAST_PERCENT)
        assert {one.state for one in between(updates, 7.5, 7.9)} == {"lost"}
        assert updates[-1].state == "steady"

    @pytest.mark.parametrize("creep_px_per_s", [0.15, pytest.param(-0.3, marks=pytest.mark.slow)])
    def test_a_camera_that_creeps_is_no_speed(self, even_clip: Path, creep_px_per_s: float) -> None:
        """A tripod that gives way; before, the figure followed it by more than its uncertainty."""
        updates, outcome = followed(even_clip, lambda one: carried(one, creep_px_per_s * one.time_s))
        check_figures(updates, FAST_PERCENT)
        assert any(one.state == "steady" for one in updates)
        assert outcome.measurement is not None
        speed = outcome.measurement.speed
        assert abs(speed.deviation_percent - FAST_PERCENT) < speed.uncertainty_percent < 2 * CLOSE_PERCENT
        assert "camera" in {one.source for one in outcome.measurement.budget}

    def test_a_camera_that_sways_is_not_taken_for_a_turn(self, even_clip: Path) -> None:
        options = LiveOptions(nominal_rpm=100 / 3, mains_hz=50)
        updates, outcome = followed(
            even_clip, lambda one: carried(one, np.sin(2 * np.pi * SWAY_HZ * one.time_s)), options
        )
        check_figures(updates, FAST_PERCENT)
        assert any(one.state == "steady" for one in updates)
        assert outcome.refusal is None
        assert outcome.measurement is not None
        speed = outcome.measurement.speed
        assert abs(speed.deviation_percent - FAST_PERCENT) < speed.uncertainty_percent

    def test_slow_motion_is_told_to_be_for_measure(self, folder: Path) -> None:
        camera = replace(SMALLEST, frame_rate_hz=120.0, exposure_s=0.006)
        path = rendered(turned_scene((0.0, FAST_PERCENT), seconds=5, camera=camera), folder / "slow.mp4")
        source = Meddled(path, lambda one: replace(one, time_s=4 * one.time_s))
        source.facts = replace(source.facts, capture_rate_hz=120.0)
        with LiveRun(source, LiveOptions(nominal_rpm=100 / 3, mains_hz=50), pace=0) as run:
            updates, outcome = list(run), run.outcome()
        assert all(one.deviation_percent is None for one in updates)
        assert "strobe measure" in updates[-1].message
        assert outcome.refusal is not None
        assert "slow motion" in outcome.refusal.message

    def test_every_picture_twice(self, even_clip: Path) -> None:
        """A stream at twice the camera's rate; before, the settled reading was refused as bad timing."""
        with LiveRun(Doubled(even_clip, same), LiveOptions(nominal_rpm=100 / 3, mains_hz=50), pace=0) as run:
            updates, outcome = list(run), run.outcome()
        check_figures(updates, FAST_PERCENT)
        assert updates[-1].state == "steady"
        assert outcome.measurement is not None
        assert outcome.measurement.speed.deviation_percent == pytest.approx(FAST_PERCENT, abs=0.005)

    def test_frames_dropped(self, even_clip: Path) -> None:
        rng = np.random.default_rng(1)
        updates, outcome = followed(even_clip, lambda one: None if rng.random() < 0.12 else one)
        check_figures(updates, FAST_PERCENT)
        assert updates[-1].state == "steady"
        assert outcome.measurement is not None
        assert outcome.measurement.speed.deviation_percent == pytest.approx(FAST_PERCENT, abs=0.005)

    def test_times_of_arrival_that_jitter(self, even_clip: Path) -> None:
        rng = np.random.default_rng(2)
        updates, _ = followed(even_clip, lambda one: replace(one, time_s=one.time_s + abs(float(rng.normal(0, 0.005)))))
        check_figures(updates, FAST_PERCENT)
        assert updates[-1].state == "steady"
        assert updates[-1].deviation_percent == pytest.approx(FAST_PERCENT, abs=CLOSE_PERCENT)

    def test_a_run_of_hours(self, even_clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """The watch over the scenery begins anew now and then, here soon; a knock after that is seen too."""
        monkeypatch.setattr(stepwise, "_MOST_LOOKS", 28)
        updates, _ = followed(even_clip, lambda one: one if one.time_s < 9 else shifted(one, 4, 2))
        check_figures(updates, FAST_PERCENT)
        assert not any(one.state == "lost" for one in between(updates, 2.0, 9.0))
        assert {one.state for one in between(updates, 9.5, 9.9)} == {"lost"}

    def test_a_gap_in_the_pictures(self, even_clip: Path) -> None:
        updates, _ = followed(even_clip, lambda one: None if 7 <= one.time_s < 9 else one)
        check_figures(updates, FAST_PERCENT)
        assert between(updates, 9.0, 10.0)[0].deviation_percent is None
        assert updates[-1].state == "steady"

    def test_from_33_to_45_and_back_is_followed_and_named(self, folder: Path) -> None:
        """The way back within a second: 33 1/3 then looks like 45 that is 3.1 % slow, one frame rate away."""
        low, high = 100 * (1.353 * 100 / 3 / 45 - 1), 0.4
        knots = ((0.0, 0.5), (7.0, 0.5), (8.5, 35.3), (18.0, 35.3), (19.0, high), (27.0, high))
        scene = turned_scene(*knots, seconds=27, camera=LONG_SHUTTER)
        updates, outcome = followed(rendered(scene, folder / "switched.mp4"))
        check_figures(between(updates, 0, 7.0), 0.5)
        check_figures(between(updates, 10.0, 18.0), low)
        check_figures(between(updates, 19.1, 27.0), high)
        for begin_s, end_s, rpm in ((0, 7, 100 / 3), (10, 18, 45), (19.1, 27, 100 / 3)):
            named = {one.nominal_rpm for one in between(updates, begin_s, end_s) if one.deviation_percent is not None}
            assert [round(one, 2) for one in named if one is not None] == [round(rpm, 2)]
        changing = [*between(updates, 7.4, 8.5), *between(updates, 18.4, 19.0)]
        assert all(one.deviation_percent is None for one in changing)
        assert any("changes fast" in one.message for one in changing)
        assert outcome.measurement is not None
        assert outcome.measurement.setup.nominal_rpm == pytest.approx(100 / 3)

    @pytest.mark.parametrize(
        "rate_hz", [pytest.param(15.0, marks=pytest.mark.slow), pytest.param(24.0, marks=pytest.mark.slow), 25.0]
    )
    def test_a_slow_camera(self, folder: Path, rate_hz: float) -> None:
        camera = replace(SMALLEST, frame_rate_hz=rate_hz)
        scene = turned_scene((0.0, FAST_PERCENT), seconds=13, camera=camera)
        updates, outcome = followed(rendered(scene, folder / f"{rate_hz:g}.mp4"), options=LiveOptions(mains_hz=50))
        check_figures(updates, FAST_PERCENT)
        assert updates[-1].deviation_percent is not None
        assert outcome.measurement is not None

    @pytest.mark.parametrize(
        "told_rpm", [None, pytest.param(100 / 3, marks=pytest.mark.slow), pytest.param(45.0, marks=pytest.mark.slow)]
    )
    def test_half_lit_frames_are_never_given_a_wrong_speed(self, folder: Path, told_rpm: float | None) -> None:
        """A ring that is no aim at this speed, half of the frames without a flash: the right figure or none."""
        path = folder / "half.mp4"
        if not path.exists():
            rendered(turned_scene((0.0, 0.222), seconds=11, rpm=45.0), path)
        updates, outcome = followed(path, options=LiveOptions(nominal_rpm=told_rpm))
        check_figures(updates, 0.222)
        assert {one.nominal_rpm for one in updates if one.deviation_percent is not None} <= {45.0}
        assert "does not move" not in updates[-1].message
        if outcome.measurement is not None:
            assert outcome.measurement.speed.mean_rpm == pytest.approx(45.1, abs=0.02)

    @pytest.mark.parametrize("told_rpm", [45.0, pytest.param(78.26, marks=pytest.mark.slow)])
    def test_a_speed_that_is_told_wrong_gives_no_figure(self, even_clip: Path, told_rpm: float) -> None:
        updates, outcome = followed(even_clip, options=LiveOptions(nominal_rpm=told_rpm), for_s=9.0)
        assert all(one.deviation_percent is None for one in updates)
        assert outcome.measurement is None
        assert "33" in updates[-1].message

    def test_a_platter_that_stands_is_named(self) -> None:
        out, err = StringIO(), StringIO()
        clip = Path(__file__).parents[1] / "sample_clips" / "07-stopped.mp4"
        assert command(["live", str(clip), "--pace", "0", "--for", "6"], out=out, err=err) == 3
        assert "Start the platter" in " ".join(out.getvalue().split())
        assert max(len(line) for line in out.getvalue().splitlines()) <= 80
        assert "not-turning" in err.getvalue()

    def test_stopped_and_started(self, folder: Path) -> None:
        knots = ((0.0, 0.5), (6.0, 0.5), (8.5, -100.0), (14.0, -100.0), (16.0, 0.2), (24.0, 0.2))
        updates, _ = followed(rendered(turned_scene(*knots, seconds=24, wobbles=()), folder / "stopped.mp4"))
        still = between(updates, 12.5, 14.0)
        assert all(one.deviation_percent is None for one in still)
        assert any("does not move" in one.message for one in still)
        again = [one for one in between(updates, 16.0, 24.0) if one.deviation_percent is not None]
        check_figures(again, 0.2)
        assert again[-1].state == "steady"

    def test_the_wrong_ring_is_never_shown(self, even_clip: Path) -> None:
        """No figure may come from something other than the dots: here there are none."""
        updates, outcome = followed(even_clip, covered, for_s=6.0)
        assert all(one.deviation_percent is None for one in updates)
        assert {one.state for one in updates} == {"searching"}
        assert outcome.refusal is not None
        assert outcome.refusal.reason == "too-short"


class TestCommand:
    def test_json_lines_then_the_measurement(self, even_clip: Path) -> None:
        out, err = StringIO(), StringIO()
        status = command(["live", str(even_clip), "--pace", "0", "--for", "10", "--json"], out=out, err=err)
        lines = [json.loads(line) for line in out.getvalue().splitlines()]
        assert status == 0
        assert err.getvalue() == ""
        keys = {"schema", "time_s", "state", "deviation_percent", "uncertainty_percent", "creep_dots_per_minute"}
        for line in lines[:-1]:
            assert line["schema"] == "strobe.live/1"
            assert keys | {"instruction"} <= set(line)
            assert line["state"] in ("searching", "settling", "steady", "lost")
        assert 9.5 < lines[-2]["time_s"] < 10.1
        assert lines[-1]["schema"] == "strobe.measurement/1"
        assert lines[-1]["speed"]["deviation_percent"] == pytest.approx(FAST_PERCENT, abs=0.02)

    def test_words_and_the_series(self, even_clip: Path, tmp_path: Path) -> None:
        out, err = StringIO(), StringIO()
        series = tmp_path / "series.csv"
        played = ["live", str(even_clip), "--pace", "0", "--for", "11"]
        status = command([*played, "--csv", str(series)], out=out, err=err)
        assert status == 0
        assert "slower" in out.getvalue()
        assert "READING" in out.getvalue()
        assert max(len(line) for line in out.getvalue().splitlines()) <= 80
        assert series.read_text().startswith("time_s,")

    def test_too_short_is_refused(self, even_clip: Path) -> None:
        out, err = StringIO(), StringIO()
        status = command(["live", str(even_clip), "--pace", "0", "--for", "2", "--json"], out=out, err=err)
        assert status == 3
        assert json.loads(out.getvalue().splitlines()[-1])["reason"] == "too-short"

    @pytest.mark.parametrize(
        ("options", "words"),
        [
            (["--band", "9"], "outside 0.005 to 5"),
            (["--pace", "-1"], "outside 0 to 1000"),
            (["--for", "0"], "not above 0"),
            (["--rate", "30"], "only a camera can be asked"),
            (["--size", "big"], "not width x height"),
        ],
    )
    def test_what_makes_no_sense(self, even_clip: Path, options: list[str], words: str) -> None:
        out, err = StringIO(), StringIO()
        assert command(["live", str(even_clip), *options], out=out, err=err) == 2
        assert words in flat(check_lines(err))

    def test_no_such_clip(self, tmp_path: Path) -> None:
        out, err = StringIO(), StringIO()
        assert command(["live", str(tmp_path / "none.mp4")], out=out, err=err) == 4


@pytest.mark.parametrize(
    ("deviation", "before", "words"),
    [
        (0.05, "", "stop"),
        (-0.1, "", "stop"),
        (0.11, "", "a little slower"),
        (0.11, "stop", "stop"),
        (0.13, "stop", "a little slower"),
        (-0.3, "", "a little faster"),
        (-1.0, "", "faster"),
        (6.0, "", "much slower"),
    ],
)
def test_instructions(deviation: float, before: str, words: str) -> None:
    assert instruction_for(deviation, 0.1, before=before) == words


@dataclass(frozen=True)
class FallingLamp(Lamp):
    """A mains lamp whose rate falls evenly from a moment on."""

    from_s: float = 8.0
    falls_hz_per_s: float = 0.0025

    def _cycles(self, time_s: ArrayLike) -> NDArray[np.float64]:
        since_s = np.maximum(np.asarray(time_s, float) - self.from_s, 0.0)
        return np.asarray(super()._cycles(time_s) - self.falls_hz_per_s * since_s**2 / 2, np.float64)


def test_a_rate_of_the_lamp_that_is_not_measured_again_grows_old(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The mains moves while every later full reading refuses: the figure says how little its lamp is known by then."""
    lamp = FallingLamp()

    def asked(reader: PatternReader, seen: list[FrameReading], *more: Any) -> Recognised:
        if seen[-1].time_s < lamp.from_s:
            return recognise(reader, seen, *more)
        return Recognised(None, Refused("weak-pattern", "Nothing is seen now.", "Wait."))

    monkeypatch.setattr(follower, "recognise", asked)
    monkeypatch.setattr(follower, "_OLD_S", 10.0)
    scene = turned_scene((0.0, 0.6), seconds=20, camera=LONG_SHUTTER, lamp=lamp)
    updates, _ = followed(
        rendered(scene, folder / "falling.mp4"), options=LiveOptions(nominal_rpm=100 / 3, mains_hz=50)
    )
    assert updates[-1].reference == "camera"
    check_figures(updates, 0.6)
    known = [one.uncertainty_percent for one in between(updates, 7.0, 20.0) if one.uncertainty_percent is not None]
    assert known[-1] > 0.02 > known[0]
    assert "last measured" in updates[-1].message


@pytest.mark.parametrize("said", ["once", "mains"])
def test_a_lamp_that_leaves_out_every_other_flash_is_followed_between(folder: Path, said: str) -> None:
    """Fifty flashes and dots a second: the line runs back half a turn for each of the hundred that a mains lamp has."""
    lamp = Lamp("half-wave", 50.01, ambient=0.1)
    scene = turned_scene((0.0, 0.6), seconds=9, dots=90, camera=replace(LONG_SHUTTER, exposure_s=0.017), lamp=lamp)
    clip = rendered(scene, folder / f"every-other-{said}.mp4")
    updates, _ = followed(clip, options=LiveOptions(nominal_rpm=100 / 3, dots=90, mains_hz=50, lamp=said))
    check_figures(updates, 0.6)
    assert any(one.state == "steady" for one in updates)
