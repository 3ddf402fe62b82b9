"""What stands beside the readout: the picture, which must not flash, the tone, and the warm-up watch."""

from __future__ import annotations

import gc
import json
import subprocess
import sys
import wave
from collections.abc import Iterator
from dataclasses import replace
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
import pytest
from live_scenes import LONG_SHUTTER, SMALLEST, rendered, turned_scene
from messages import check_lines, flat
from numpy.typing import NDArray

from strobe.capture import open_clip
from strobe.cli import run as command
from strobe.errors import MissingLibrary, UsageError
from strobe.live import LiveOptions, LiveRun, LiveUpdate
from strobe.live.records import WarmReading, WarmUp
from strobe.live.warmup import WarmUpWatch
from strobe.report.live import LiveTrace, live_page
from strobe.report.picture import MOST_CHANGES_HZ, SteadyPicture
from strobe.report.tone import SAMPLES_HZ, STOP_HZ, SoundCard, ToneFile, ToneMaker, sound_for
from strobe.report.warmup import WarmUpCurve, interval_line, settled_words, warm_up_task
from strobe.report.window import PictureWindow, check_window

Floats = NDArray[np.float64]

MOST_FLASHES = 3
"""WCAG 2.3.1: general flashes in any one second."""
FLASH_SHARE, DARK_BELOW = 0.1, 0.8
"""A general flash: opposite changes of a tenth of the greatest relative luminance or more, the darker below 0.80 (WCAG
2.2, definition of general flash)."""
RATE_HZ = 30.0


def figure(deviation: float | None, *, time_s: float = 1.0, instruction: str = "slower") -> LiveUpdate:
    if deviation is None:
        return LiveUpdate(time_s, "lost", message="It has gone dark: no light on the dots.")
    return LiveUpdate(
        time_s,
        "steady",
        deviation,
        0.01,
        -30.0,
        instruction,
        nominal_rpm=100 / 3,
        dots=180,
        turns=4,
        reference="camera",
    )


def luminance(picture: NDArray[Any]) -> Floats:
    """Relative luminance (regions) by the formula of WCAG, of 12 x 12 regions of a picture in blue, green, red."""
    value = picture.astype(float) / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    whole = linear @ np.array([0.0722, 0.7152, 0.2126])
    return np.asarray(cv2.resize(whole, (12, 12), interpolation=cv2.INTER_AREA), float).ravel()


def flashes_a_second(at_s: Floats, seen: Floats) -> tuple[int, float]:
    """The most flashes that any region (columns of `seen`) has within a second, and the greatest change of any."""
    most, greatest = 0, 0.0
    for course in seen.T:
        turns, extreme, way = [], course[0], 0
        for time_s, value in zip(at_s, course, strict=True):
            change = value - extreme
            greatest = max(greatest, abs(change))
            if change * way > 0:
                extreme = value
            elif abs(change) >= FLASH_SHARE and min(value, extreme) < DARK_BELOW:
                turns.append(time_s)
                extreme, way = value, int(np.sign(change))
        pairs = np.array(turns[1::2])
        most = max([most, *(int(np.sum((pairs >= one) & (pairs < one + 1))) for one in pairs)])
    return most, greatest


def beating(seconds: float, beat_hz: float, *, depth: float = 0.8) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Frames of a scene under a light that beats against the camera, bands and all."""
    rng = np.random.default_rng(3)
    scene = rng.uniform(60, 200, (90, 160))
    rows = np.arange(90)[:, None] / 90
    for index in range(round(seconds * RATE_HZ)):
        light = 1 - depth * (0.5 + 0.5 * np.cos(2 * np.pi * (beat_hz * index / RATE_HZ + 0.7 * rows)))
        yield index / RATE_HZ, np.clip(scene * light + rng.normal(0, 2, scene.shape), 0, 255).astype(np.uint8)


def shown(frames: Iterator[tuple[float, NDArray[np.uint8]]]) -> tuple[Floats, Floats]:
    """When the picture changed, and the luminance (pictures, regions) of what was shown."""
    steady, at, seen = SteadyPicture(), [], []
    for time_s, luma in frames:
        steady.take(luma, time_s)
        made = steady.picture(figure(0.3, time_s=time_s))
        if made is not None:
            at.append(time_s)
            seen.append(luminance(made[:90]))
    return np.array(at), np.array(seen)


class TestPicture:
    @pytest.mark.parametrize("beat_hz", [4.0, 7.3, 12.0, 14.6])
    def test_it_does_not_flash_under_mains_light(self, beat_hz: float) -> None:
        raw = [(time_s, cv2.cvtColor(luma, cv2.COLOR_GRAY2BGR)) for time_s, luma in beating(6, beat_hz)]
        raw_at, raw_seen = np.array([one[0] for one in raw]), np.array([luminance(one[1]) for one in raw])
        assert flashes_a_second(raw_at, raw_seen)[0] > MOST_FLASHES, "the raw picture flashes, so that this can fail"
        at_s, seen = shown(beating(6, beat_hz))
        settled = at_s > 1.5
        flashes, greatest = flashes_a_second(at_s[settled], seen[settled])
        assert flashes == 0
        assert greatest < 0.6 * FLASH_SHARE

    def test_it_changes_no_more_than_three_times_a_second(self) -> None:
        at_s, _ = shown(beating(6, 12.0))
        assert at_s.size > 10
        assert np.diff(at_s).min() >= 1 / MOST_CHANGES_HZ > 1 / MOST_FLASHES

    def test_light_that_is_switched_as_fast_as_can_be(self) -> None:
        """Whatever is done to the light, the rate of changes alone keeps it below three flashes."""
        frames = ((index / RATE_HZ, np.full((90, 160), 20 + 200 * (index // 3 % 2), np.uint8)) for index in range(240))
        assert flashes_a_second(*shown(frames))[0] <= MOST_FLASHES

    def test_rows_are_outlined_and_the_reading_stands_below(self) -> None:
        steady = SteadyPicture()
        steady.take(np.full((270, 480), 90, np.uint8), 0.0)
        line = np.array([[100.0, 120], [380, 120], [380, 150], [100, 150]])
        made = steady.picture(figure(0.3), [line, line + np.array([0, 60])])
        assert made is not None
        assert made.shape[1:] == (480, 3)
        colored = np.ptp(made[:270].astype(int), axis=2) > 60
        assert colored[118:123, 150:350].mean() > 0.3
        assert colored[178:183, 150:350].any()
        assert not colored[:100].any()
        assert (made[270:] > 200).any(), "white letters"

    @pytest.mark.parametrize(
        ("update", "foot"),
        [
            (figure(0.3), "dots creep right, against the turning, 30 a minute  > > > >"),
            (
                replace(figure(0.3), creep_dots_per_minute=30.0),
                "< < < <  dots creep left, with the turning, 30 a minute",
            ),
            (replace(figure(None), message="good to ±0.2 %"), "good to +/-0.2 %"),
        ],
    )
    def test_letters_are_those_that_every_opencv_draws(
        self, monkeypatch: pytest.MonkeyPatch, update: LiveUpdate, foot: str
    ) -> None:
        """The Hershey fonts of OpenCV 4.9 hold ASCII only."""
        put, drawn = cv2.putText, []

        def seen(picture: Any, text: str, *more: Any) -> Any:
            drawn.append(text)
            return put(picture, text, *more)

        monkeypatch.setattr(cv2, "putText", seen)
        steady = SteadyPicture()
        steady.take(np.full((270, 480), 90, np.uint8), 0.0)
        assert steady.picture(update) is not None
        assert drawn[1] == foot
        assert all(text.isascii() for text in drawn)

    def test_without_pictures_it_is_dimmed_and_no_figure_is_shown(self) -> None:
        steady = SteadyPicture()
        for at in range(30):
            steady.take(np.full((270, 480), 120, np.uint8), at / 30)
        bright = steady.picture(figure(0.3, time_s=1.0))
        dim = steady.picture(figure(None, time_s=2.0))
        other = steady.picture(figure(None, time_s=3.0))
        assert bright is not None
        assert dim is not None
        assert other is not None
        assert dim[:270].mean() < 0.6 * bright[:270].mean()
        assert not np.array_equal(dim[270:], bright[270:])
        np.testing.assert_array_equal(dim, other)

    def test_a_large_picture_of_ten_bits(self) -> None:
        steady = SteadyPicture(full_scale=1023)
        steady.take(np.full((1080, 1920), 512, np.uint16), 0.0)
        made = steady.picture(figure(0.3))
        assert made is not None
        assert made.shape[1] == 960
        assert made[:540].mean() == pytest.approx(127, abs=3)

    def test_over_a_clip_with_its_rows(self, tmp_path: Path) -> None:
        """The whole way: the outlines lie where the dots are."""
        path = rendered(turned_scene((0.0, 0.3), seconds=2, camera=LONG_SHUTTER), tmp_path / "a.mp4")
        steady, made = SteadyPicture(), []
        with LiveRun(
            open_clip(path), LiveOptions(), pace=0, on_frame=lambda one: steady.take(one.luma, one.time_s)
        ) as run:
            for update in run:
                outlines = run.follower.outlines
                made.append((len(outlines), steady.picture(update, outlines)))
        line = run.follower.outlines[0]
        assert line[:, 0].min() > 0
        assert line[:, 0].max() < 640
        with open_clip(path) as clip:
            luma = next(clip).luma.astype(float)
        rows = np.ptp(np.diff(luma, axis=1), axis=1)
        assert line[:, 1].min() < np.argmax(rows) < line[:, 1].max()
        assert any(count and picture is not None for count, picture in made)


class TestWindow:
    def test_no_screen_is_one_clear_message(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.delenv("DISPLAY", raising=False)
        monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
        monkeypatch.setattr(sys, "platform", "linux")
        path = tmp_path / "none.mp4"
        out, err = StringIO(), StringIO()
        assert command(["live", str(path), "--show"], out=out, err=err) == 4
        first, *more = check_lines(err).splitlines()
        assert first.startswith("strobe: no window can be shown")
        assert [line[:8] for line in more] == len(more) * [8 * " "]

    @pytest.mark.parametrize("fails", ["crashes", "hangs"])
    def test_a_build_without_windows(self, monkeypatch: pytest.MonkeyPatch, fails: str) -> None:
        monkeypatch.setenv("DISPLAY", ":97")

        def tried(command: Any, **_: Any) -> Any:
            if fails == "hangs":
                raise subprocess.TimeoutExpired(command, 1)
            return SimpleNamespace(returncode=134)

        monkeypatch.setattr(subprocess, "run", tried)
        with pytest.raises(MissingLibrary, match="no screen here, or OpenCV was built without windows"):
            check_window()

    def test_keys_and_closing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        done: list[str] = []
        keys, open_now = [-1, ord("q"), -1], [1.0, 1.0, 0.0]
        monkeypatch.setattr(cv2, "namedWindow", lambda *_: done.append("open"))
        monkeypatch.setattr(cv2, "imshow", lambda *_: done.append("show"))
        monkeypatch.setattr(cv2, "waitKey", lambda _: keys.pop(0))
        monkeypatch.setattr(cv2, "getWindowProperty", lambda *_: open_now.pop(0))
        monkeypatch.setattr(cv2, "destroyAllWindows", lambda: done.append("closed"))
        with PictureWindow() as window:
            assert window.show(np.zeros((9, 9, 3), np.uint8)) == ""
            assert window.show(None) == "q"
            assert not window.closed
            assert window.show(None) == ""
            assert window.closed
        assert done == ["open", "show", "closed"]


def pitch_hz(samples: Floats) -> float:
    """Strongest frequency of what is heard."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size)))
    return float(np.argmax(spectrum) * SAMPLES_HZ / samples.size)


class TestTone:
    def test_high_is_fast_low_is_slow_and_farther_is_quicker(self) -> None:
        sounds = [sound_for(figure(one)) for one in (-6.0, -1.0, -0.15, 0.15, 1.0, 6.0)]
        notes = [one.note_hz for one in sounds]
        rates = [one.notes_per_s for one in sounds]
        assert notes == sorted(notes)
        assert notes[2] < STOP_HZ / 1.2
        assert notes[3] > STOP_HZ * 1.2
        assert rates[0] > rates[1] > rates[2] > 1
        assert rates[3:] == rates[2::-1]

    def test_at_stop_one_unbroken_note(self) -> None:
        maker = ToneMaker()
        maker.hear(figure(0.05, instruction="stop"))
        samples = maker.samples(SAMPLES_HZ // 2)[2000:]
        assert pitch_hz(samples.astype(float)) == pytest.approx(STOP_HZ, abs=3)
        loud = np.abs(samples[: samples.size // 200 * 200]).reshape(-1, 200).max(axis=1)
        assert loud.min() > 0.3

    def test_no_figure_is_no_note(self) -> None:
        """Nor is one that has not been renewed for a second."""
        maker = ToneMaker()
        maker.hear(figure(None))
        assert np.mean(np.abs(maker.samples(2 * SAMPLES_HZ)) > 0.02) < 0.05
        maker.hear(figure(0.05, instruction="stop"))
        heard = np.abs(maker.samples(3 * SAMPLES_HZ))
        assert np.mean(heard[: SAMPLES_HZ // 2] > 0.02) > 0.8
        assert np.mean(heard[int(1.1 * SAMPLES_HZ) :] > 0.02) < 0.05

    def test_it_does_not_click(self) -> None:
        """However the sound changes, neighbouring samples differ by no more than the highest note itself makes."""
        maker, made = ToneMaker(), []
        for deviation in (None, 0.3, -6.0, 6.0, None, -0.2, 0.05):
            maker.hear(figure(deviation, instruction="stop" if deviation == 0.05 else "slower"))
            made.append(maker.samples(7001))
        samples = np.concatenate(made)
        assert np.abs(samples).max() <= 0.35
        assert np.abs(np.diff(samples)).max() < 0.35 * 2 * np.pi * STOP_HZ * 2.4 / SAMPLES_HZ

    def test_the_file_is_as_long_as_the_run(self, tmp_path: Path) -> None:
        with ToneFile(tmp_path / "a.wav") as tone:
            for at in np.arange(0, 4, 0.2):
                tone.hear(figure(1.0 if at < 2 else -1.0, time_s=float(at)))
        with wave.open(str(tmp_path / "a.wav")) as sound:
            samples = np.frombuffer(sound.readframes(sound.getnframes()), "<i2").astype(float)
        assert samples.size == pytest.approx(3.8 * SAMPLES_HZ, abs=2)
        half = samples.size // 2
        assert pitch_hz(samples[:half]) > STOP_HZ > pitch_hz(samples[half + SAMPLES_HZ // 4 :])

    def test_the_sound_card(self) -> None:
        """Through a library that stands in for sounddevice."""
        streams: list[Any] = []

        class Stream:
            def __init__(self, **options: Any) -> None:
                self.options, self.running = options, False
                streams.append(self)

            def start(self) -> None:
                self.running = True

            def stop(self) -> None:
                self.running = False

            def close(self) -> None:
                assert not self.running

        with SoundCard(SimpleNamespace(OutputStream=Stream, PortAudioError=OSError)) as card:
            card.hear(figure(0.05, instruction="stop"))
            assert streams[0].running
            out = np.zeros((4096, 1), np.float32)
            streams[0].options["callback"](out, 4096, None, None)
            assert pitch_hz(out[1000:, 0].astype(float)) == pytest.approx(STOP_HZ, abs=10)

    def test_without_a_sound_card(self) -> None:
        class NoCard(Exception):
            pass

        def none(**_: Any) -> None:
            raise NoCard("no default output device")

        with pytest.raises(MissingLibrary, match=r"no sound card .* --tone-file"):
            SoundCard(SimpleNamespace(OutputStream=none, PortAudioError=NoCard))

    def test_without_the_library(self, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setitem(sys.modules, "sounddevice", None)
        out, err = StringIO(), StringIO()
        assert command(["live", str(tmp_path / "none.mp4"), "--tone"], out=out, err=err) == 4
        assert "strobe[tone]" in flat(check_lines(err))

    @pytest.mark.parametrize(("name", "words"), [("a.mp3", "end it in .wav"), ("none/a.wav", "does not exist")])
    def test_a_file_that_cannot_be_written(self, tmp_path: Path, name: str, words: str) -> None:
        out, err = StringIO(), StringIO()
        assert command(["live", "a.mp4", "--tone-file", str(tmp_path / name)], out=out, err=err) == 2
        assert words in flat(check_lines(err))

    def test_a_folder_that_has_gone_is_met_without_more_ado(self, tmp_path: Path) -> None:
        """The library's own file, half made, would complain once more when it is thrown away."""
        with pytest.raises(FileNotFoundError):
            ToneFile(tmp_path / "none" / "a.wav")
        gc.collect()


def warmed(
    *, seconds: float, away: float = 0.5, tau_s: float = 180.0, gap: tuple[float, float] = (0, 0)
) -> WarmUpWatch:
    """A machine that comes to rest, watched in time made up."""
    watch = WarmUpWatch()
    for at in np.arange(0, seconds, 0.5):
        deviation = None if gap[0] <= at < gap[1] else 0.1 + away * np.exp(-at / tau_s)
        watch.take(figure(deviation, time_s=float(at)))
        if watch.result().settled_after_s is not None:
            break
    return watch


class TestWarmUp:
    def test_settled_when_five_minutes_differ_by_less(self) -> None:
        """Means of minutes of an exponential that begin 5 min apart differ by less than 0.02 %: see `means`."""
        result = warmed(seconds=3600).result()
        minute = np.arange(60)
        means = 0.5 * 180 / 60 * (np.exp(-minute * 60 / 180) - np.exp(-(minute + 1) * 60 / 180))
        expected = next(k for k in range(5, 60) if means[k - 5] - means[k] < 0.02) + 1
        assert result.settled_after_s == 60 * expected
        assert settled_words(result).startswith(f"settled after {expected} min: under 0.02 % in 5 min")
        assert [one.deviation_percent for one in result.readings] == pytest.approx(
            (0.1 + means[:expected]).tolist(), abs=0.003
        )

    def test_never_before_five_minutes(self) -> None:
        assert warmed(seconds=3600, away=0.0).result().settled_after_s == 6 * 60
        assert warmed(seconds=350, away=0.0).result().settled_after_s is None

    def test_a_gap_is_no_settling(self) -> None:
        """A minute without a figure breaks the row."""
        result = warmed(seconds=3600, away=0.0, gap=(170, 250)).result()
        assert result.settled_after_s == 10 * 60
        assert len(result.readings) == 9

    def test_another_speed_begins_anew(self) -> None:
        watch = warmed(seconds=200, away=0.0)
        assert len(watch.result().readings) == 3
        update = figure(0.1, time_s=200.0)
        watch.take(LiveUpdate(**{**update.__dict__, "nominal_rpm": 45.0}))
        assert watch.result().readings == ()

    def test_in_words(self) -> None:
        watch = warmed(seconds=500)
        result = watch.result()
        assert settled_words(result).startswith("not settled: 0.")
        assert settled_words(warmed(seconds=100).result()) == "not settled: watched for less than 5 min in a row"
        line = interval_line(result.readings[-1], result)
        assert line.split()[:2] == ["8", "min"]
        assert "in the last 5 min" in line

    def test_the_curve_falls(self) -> None:
        result = warmed(seconds=3600).result()
        lines = WarmUpCurve(result.readings, 60).lines(width=80, rows=8, band_percent=0.1)
        assert len(lines) == 8
        assert max(len(line) for line in lines) <= 80
        places = (80 - 4 * len(result.readings), 79)
        first, last = ([k for k, line in enumerate(lines) if line[place] in "▀▄"] for place in places)
        assert first[0] <= 1
        assert last[0] >= 6

    def test_the_ends_of_a_short_curve_are_told_apart(self) -> None:
        """3.18 to 3.23 %: both ends would be +3.2 % with one decimal."""
        for away in (3.18, -3.18, 13.18):
            readings = [WarmReading(60.0 * k, away + 0.01 * k, 0.01, "lamp") for k in range(6)]
            lines = WarmUpCurve(readings, 60).lines(width=80, rows=8, band_percent=0.1)
            high, low = (float(lines[row].split(" %")[0]) for row in (0, 7))
            assert low < away < away + 0.05 < high
            assert max(map(len, lines)) <= 80

    def test_minutes_are_not_rounded_to_whole_ones(self) -> None:
        """A reading every 90 s, and five of them are 7.5 min: neither 2 nor 8."""
        readings = tuple(WarmReading(90.0 * k, 0.5 + 0.01 * k, 0.01, "camera") for k in range(6))
        result = WarmUp(readings, 90.0, 450.0, 0.02, 0.05, None)
        task = warm_up_task(figure(0.5), result)
        assert task.startswith("Warm-up: a reading every 1.5 min, until those of 7.5 min ")
        assert "in the last 7.5 min" in settled_words(result)
        assert interval_line(readings[-1], result).startswith("  9 min  ")

    def test_what_makes_no_sense(self) -> None:
        with pytest.raises(UsageError, match="outside 4 to 3600"):
            WarmUpWatch(interval_s=1)

    def test_over_a_clip_from_end_to_end(self, tmp_path: Path) -> None:
        """In four-second intervals instead of minutes: 0.4 % off at first, at rest from 14 s on."""
        knots = tuple((float(at), 0.1 + 0.4 * float(np.exp(-at / 3.5))) for at in np.arange(0, 40, 0.5))
        path = rendered(turned_scene(*knots, seconds=39, camera=SMALLEST), tmp_path / "warm.mp4")
        played = ["live", str(path), "--pace", "0", "--warm-up", "--every", "4"]
        out, err = StringIO(), StringIO()
        assert command([*played, "--rpm", "33"], out=out, err=err) == 0
        lines = out.getvalue().splitlines()
        said = next(line for line in lines if line.startswith("WARM-UP"))
        assert "settled after" in said
        assert 24 <= int(said.split("after ")[1].split(" s")[0]) <= 40
        assert sum(line.lstrip()[:1].isdigit() and " s  +0." in line for line in lines) >= 6
        assert max(len(line) for line in lines) <= 80
        assert any(line.startswith("READING") for line in lines)
        out = StringIO()
        assert command([*played, "--for", "17", "--json"], out=out, err=err) == 1
        objects = [json.loads(line) for line in out.getvalue().splitlines()]
        readings = [one for one in objects if one["schema"] == "strobe.warm-up/1"]
        assert 2 <= len(readings) <= 3
        assert not any(one["settled"] for one in readings)
        assert objects[-1]["schema"] == "strobe.measurement/1"


class TestPage:
    @pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (40, 12), (200, 60)])
    @pytest.mark.parametrize("deviation", [None, -0.0004, 0.31, -12.4])
    @pytest.mark.parametrize(
        "task", ["", "Switch back to 33 1/3 and turn nothing: it is read again, since the trimmers interact."]
    )
    def test_it_fits_and_says_what_counts(self, width: int, height: int, deviation: float | None, task: str) -> None:
        update = figure(deviation)
        trace = LiveTrace()
        trace.add(update)
        page = live_page(update, trace, width=width, height=height, task=task).plain.splitlines()
        assert len(page) <= height
        assert max(len(line) for line in page) <= width
        text = " ".join(" ".join(page).split())
        assert ("no figure now" in text) == (deviation is None)
        if task:
            assert task in text
        if deviation is not None and width >= 80:
            assert sum("███" in line for line in page) >= 10, "figure and instruction in large letters"

    def test_frames_that_were_left_out_are_counted_in_good_english(self) -> None:
        for skipped, words in ((1, "; 1 frame left out "), (2, "; 2 frames left out ")):
            page = live_page(replace(figure(0.3), skipped=skipped), LiveTrace()).plain
            assert words in page.splitlines()[0]

    def test_what_stands_below_the_figure_fits_and_is_never_surer_than_it_is(self) -> None:
        longest = replace(
            figure(0.602),
            uncertainty_percent=0.0087,
            closest_percent=0.0068,
            turns_gathered=1234.4,
            steadiness_percent=0.303,
            steadiness_uncertainty_percent=0.0148,
            picture="very good",
        )
        below = live_page(longest, LiveTrace()).plain
        assert "0.602 % fast (±0.009), mean of the last 4 turns" in below
        assert "±0.1 % counts as right; the camera's clock tells ±0.007 % at best\n" in below
        assert "1234 even turns; steadiness ±0.30 % (±0.01); picture very good\n" in below
        nothing = replace(longest, steadiness_percent=0.0, steadiness_uncertainty_percent=0.8, turns_gathered=1.2)
        assert "1 even turn; steadiness below ±0.80 %;" in live_page(nothing, LiveTrace()).plain
        mains = replace(longest, reference="lamp", band_percent=0.2, closest_percent=0.2)
        assert "±0.2 % counts as right: no closer can be told by the mains\n" in live_page(mains, LiveTrace()).plain

    @pytest.mark.parametrize("width", [80, 40])
    def test_steadiness_has_its_uncertainty_and_lost_frames_never_hide_the_state(self, width: int) -> None:
        steadiness = {"steadiness_percent": 0.2031, "steadiness_uncertainty_percent": 0.018, "turns_gathered": 12.3}
        update = LiveUpdate(**{**figure(0.31).__dict__, **steadiness, "skipped": 1234, "picture": "very good"})
        page = live_page(update, LiveTrace(), width=width).plain.splitlines()
        assert page[0].startswith("33 1/3 rpm, 180 dots")
        assert page[0].endswith("STEADY")
        if width == 80:
            assert "1234 frames left out" in page[0]
            assert "12 even turns; steadiness ±0.20 % (±0.02); picture very good" in page[-2]

    def test_the_newest_update_is_in_the_trace(self) -> None:
        trace = LiveTrace()
        trace.add(figure(0.1, time_s=0.0))
        for at_s, deviation, row in ((5.0, -0.2, 4), (5.2, 0.2, 0)):
            trace.add(figure(deviation, time_s=at_s))
            drawn = [line[-1] for line in trace.lines(width=80, rows=5, band_percent=0.1, plain=True)]
            assert [place for place, cell in enumerate(drawn) if cell in "'."] == [row], drawn

    def test_it_can_be_drawn_with_plain_signs(self) -> None:
        trace = LiveTrace()
        for at in np.arange(0, 20, 0.2):
            trace.add(figure(0.3 - at / 50, time_s=float(at)))
        assert live_page(figure(0.3), trace, plain=True).plain.replace("±", "").isascii()
