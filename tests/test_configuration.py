"""What is kept for a bench, and a camera's clock: the file, its rules, and what becomes of the values."""

from __future__ import annotations

import io
import math
import os
import stat
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from messages import check_lines, flat
from numpy.typing import NDArray
from test_report import measurement

import strobe
from strobe.cli import run
from strobe.configuration import (
    KnownCamera,
    configuration_path,
    keep_camera,
    load_configuration,
    set_value,
    settings_of,
    unset_value,
)
from strobe.console import ExitStatus
from strobe.errors import Refused, UsageError
from strobe.measuring.calibration import calibrate_clock
from strobe.measuring.clock import CameraClock
from strobe.measuring.hypotheses import favour_mains
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, render_clip

WHOLE = """\
# my bench
mains = 50
camera = "bench phone"

[limits]
speed_percent = 0.3  # what I promise
weighted_peak_percent = 0.2

[cameras."bench phone"]
rate_error_ppm = 12.5
uncertainty_ppm = 3
date = 2026-03-01
"""


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "bench.toml"
    monkeypatch.setenv("STROBE_CONFIG", str(path))
    return path


class Asked:
    """Stands in for `strobe.measure` and keeps what it was asked."""

    def __init__(self) -> None:
        self.options: dict[str, Any] = {}

    def __call__(self, path: str, **options: Any) -> strobe.Measurement:
        self.options = options
        return measurement(
            setup={"assumed": ("mains_hz",)}, timing={"camera_rate_error_ppm": options.get("camera_rate_error_ppm")}
        )


def run_strobe(*argv: str) -> tuple[int, str, str, dict[str, Any]]:
    asked, out, err = Asked(), io.StringIO(), io.StringIO()
    status = run(argv, out=out, err=err, measure=asked)
    return status, out.getvalue(), check_lines(err), asked.options


class TestReading:
    def test_every_value(self, file: Path) -> None:
        file.write_text(WHOLE)
        kept = load_configuration()
        assert (kept.path, kept.mains_hz, kept.camera) == (file, 50, "bench phone")
        assert (kept.speed_limit_percent, kept.weighted_peak_limit_percent) == (0.3, 0.2)
        assert kept.camera_named(None) == KnownCamera("bench phone", 12.5, 3.0, date(2026, 3, 1))
        assert kept.camera_named("none") is None

    def test_each_key_says_its_line(self, file: Path) -> None:
        file.write_text(WHOLE)
        lines = {one.key: one.line for one in settings_of(load_configuration())}
        assert lines == {
            "mains": 2,
            "camera": 3,
            "limits.speed_percent": 6,
            "limits.weighted_peak_percent": 7,
            "cameras.bench phone.rate_error_ppm": 10,
            "cameras.bench phone.uncertainty_ppm": 11,
            "cameras.bench phone.date": 12,
        }

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("mains = 50\n[limits\n", r"not valid TOML.*line 2"),
            ("mains = 50\nmians = 60\n", r"line 2: mians is unknown; the keys are mains"),
            ('# so\nmains = "50"\n', r"line 2: mains = '50': must be 50 or 60"),
            ("mains = 55\n", r"line 1: mains = 55: must be 50 or 60"),
            ("mains = true\n", r"mains = True: must be 50 or 60"),
            ("limits = 0.3\n", r"line 1: limits = 0.3: must be a section"),
            ("[limits]\nspeed = 0.3\n", r"line 2: limits.speed is unknown"),
            ("[limits]\nspeed_percent = nan\n", r"line 2: limits.speed_percent = nan: must be a number from"),
            ("[limits]\nweighted_peak_percent = -1\n", r"must be a number from 0.001 to 20"),
            ('camera = "a"\n', r"line 1: camera = 'a': must be one of the cameras in the file \(none yet\)"),
            ("camera = 3\n", r"camera = 3: must be the name"),
            ("[cameras.a]\nuncertainty_ppm = 3\n", r"line 1: cameras.a: needs rate_error_ppm"),
            ("[cameras.a]\nrate_error_ppm = 1\nppm = 2\n", r"line 3: cameras.a.ppm is unknown"),
            ('[cameras.a]\nrate_error_ppm = 1\ndate = "May"\n', r"line 3: .*must be a date"),
            ("[cameras.a]\nrate_error_ppm = 1\nuncertainty_ppm = 0\n", r"line 3: .*must be a number from 0.01"),
            ("[cameras.a]\nrate_error_ppm = 9999\n", r"must be a number from -2000 to 2000"),
            ('[cameras."../x"]\nrate_error_ppm = 1\n', r"not a usable name"),
        ],
    )
    def test_what_is_wrong_is_one_message_with_file_place_and_rule(self, file: Path, text: str, message: str) -> None:
        file.write_text(text)
        with pytest.raises(UsageError, match=message):
            load_configuration()
        for argv in (["config"], ["measure", "good.mp4"], ["config", "set", "mains", "60"]):
            status, out, err, _ = run_strobe(*argv)
            assert (status, out) == (ExitStatus.USAGE, "")
            assert flat(err).startswith(f"strobe: {file}")
            _, *more, last = err.splitlines()
            assert (last[:5], [line[:8] for line in more]) == ("Try: ", len(more) * [8 * " "]), "one message"
        assert file.read_text() == text

    def test_a_byte_order_mark_is_no_part_of_the_text(self, file: Path) -> None:
        file.write_bytes(b"\xef\xbb\xbfmains = 50\n")
        assert load_configuration().mains_hz == 50
        set_value("mains", "60")
        assert file.read_bytes() == b"mains = 60\n"

    def test_not_utf_8(self, file: Path) -> None:
        file.write_bytes(b"mains = 50 # \xff\n")
        with pytest.raises(UsageError, match=r"not text in UTF-8"):
            load_configuration()

    def test_a_folder_in_its_place(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match="cannot be read"):
            load_configuration(tmp_path)

    def test_a_named_file_must_exist(self, file: Path) -> None:
        with pytest.raises(UsageError, match="named by STROBE_CONFIG, does not exist"):
            load_configuration()
        with pytest.raises(UsageError, match="named by --config, does not exist"):
            load_configuration(file.with_name("other.toml"))
        assert load_configuration(must_exist=False).mains_hz is None

    def test_option_before_environment_before_the_usual_place(
        self, file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        other = tmp_path / "other.toml"
        assert configuration_path(other) == (other, "--config")
        assert configuration_path() == (file, "STROBE_CONFIG")
        monkeypatch.setenv("STROBE_CONFIG", "")
        monkeypatch.setattr("platformdirs.user_config_path", lambda *_, **__: tmp_path / "usual")
        assert configuration_path() == (tmp_path / "usual" / "configuration.toml", "the usual place")
        assert load_configuration().mains_hz is None


class TestWriting:
    def test_comments_and_order_stay(self, file: Path) -> None:
        file.write_text(WHOLE)
        set_value("mains", "60")
        set_value("limits.speed_percent", "0.25")
        text = file.read_text()
        assert text == WHOLE.replace("mains = 50", "mains = 60").replace("= 0.3 ", "= 0.25 ")

    def test_from_nothing_and_back(self, tmp_path: Path) -> None:
        file = tmp_path / "new" / "bench.toml"
        set_value("mains", "60", file)
        set_value("limits.speed_percent", "0.3", file)
        keep_camera(KnownCamera("webcam", -7.123, 4.0, date(2026, 1, 2)), file)
        set_value("camera", "webcam", file)
        kept = load_configuration(file)
        assert (kept.mains_hz, kept.camera, kept.speed_limit_percent) == (60, "webcam", 0.3)
        assert kept.cameras["webcam"].rate_error_ppm == -7.12
        for key in ("camera", "cameras.webcam", "limits.speed_percent", "mains"):
            unset_value(key, file)
        assert file.read_text().strip() == ""

    def test_a_second_calibration_takes_the_place_of_the_first(self, file: Path) -> None:
        keep_camera(KnownCamera("a", 5, 2, date(2025, 1, 1)))
        keep_camera(KnownCamera("a", 6, 1, date(2026, 1, 1)))
        assert load_configuration().cameras == {"a": KnownCamera("a", 6.0, 1.0, date(2026, 1, 1))}

    def test_tables_in_one_line_take_new_cameras(self, file: Path) -> None:
        file.write_text("cameras = {a = {rate_error_ppm = 1}}\n")
        set_value("cameras.b.rate_error_ppm", "2")
        keep_camera(KnownCamera("c", 3, 1, date(2026, 5, 31)))
        found = load_configuration().cameras
        assert {name: camera.rate_error_ppm for name, camera in found.items()} == {"a": 1, "b": 2, "c": 3}

    @pytest.mark.parametrize(
        ("key", "value", "message"),
        [
            ("mains", "fifty", "not a number"),
            ("mains", "55", "must be 50 or 60"),
            ("main", "50", "no key of the configuration"),
            ("camera", "stranger", "no camera is called 'stranger' in .*; it knows no camera yet"),
            ("limits.speed_percent", "0", "must be a number from"),
            ("cameras.a.date", "May", "not a date"),
            ("cameras.a.uncertainty_ppm", "3", "needs rate_error_ppm"),
            ("cameras.none.rate_error_ppm", "3", "is not 'none'"),
            ("cameras.a/b.rate_error_ppm", "3", "camera name"),
            ("cameras.-a.rate_error_ppm", "3", "does not begin with a space or -"),
        ],
    )
    def test_a_wrong_value_leaves_the_file_alone(self, file: Path, key: str, value: str, message: str) -> None:
        file.write_text("mains = 50\n")
        with pytest.raises(UsageError, match=message):
            set_value(key, value)
        assert file.read_text() == "mains = 50\n"

    def test_the_usual_camera_can_not_be_taken_out(self, file: Path) -> None:
        file.write_text(WHOLE)
        with pytest.raises(UsageError, match="must be one of the cameras"):
            unset_value("cameras.bench phone")
        with pytest.raises(UsageError, match="nothing to take out"):
            unset_value("cameras.other")
        assert file.read_text() == WHOLE

    @pytest.mark.parametrize("at", ["os.fsync", "os.replace"])
    @pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
    def test_a_fault_while_writing_loses_nothing(
        self, file: Path, monkeypatch: pytest.MonkeyPatch, at: str, fault: BaseException
    ) -> None:
        file.write_text(WHOLE)

        def fail(*_: Any) -> None:
            raise fault

        monkeypatch.setattr(at, fail)
        with pytest.raises((UsageError, KeyboardInterrupt)):
            set_value("mains", "60")
        assert file.read_text() == WHOLE
        assert [one.name for one in file.parent.iterdir()] == [file.name]

    def test_the_new_file_is_whole_before_it_takes_the_place(self, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        file.write_text(WHOLE)
        seen = []
        replace = os.replace

        def watch(part: Path, target: Path) -> None:
            seen.append((part.read_text(), target.read_text()))
            replace(part, target)

        monkeypatch.setattr("os.replace", watch)
        set_value("mains", "60")
        assert seen == [(WHOLE.replace("mains = 50", "mains = 60"), WHOLE)]

    def test_a_link_and_the_permissions_stay(self, file: Path, tmp_path: Path) -> None:
        real = tmp_path / "real.toml"
        real.write_text("mains = 50\n")
        real.chmod(0o600)
        file.symlink_to(real)
        set_value("mains", "60")
        assert file.is_symlink()
        assert real.read_text() == "mains = 60\n"
        assert stat.S_IMODE(real.stat().st_mode) == 0o600

    def test_a_device_is_not_written_to(self) -> None:
        with pytest.raises(UsageError, match="not an ordinary file"):
            set_value("mains", "60", Path(os.devnull))


class TestCommand:
    def test_shows_file_values_and_where_from(self, file: Path) -> None:
        status, out, err, _ = run_strobe("config")
        assert (status, err) == (0, "")
        assert "named by STROBE_CONFIG; not written yet" in out
        assert "SET         nothing" in out
        file.write_text(WHOLE)
        out = run_strobe("config")[1]
        assert str(file) in out.replace("\n            ", "")
        lines = [" ".join(line.removeprefix("SET").split()) for line in out.splitlines()]
        assert "mains = 50 line 2" in lines
        assert "camera = bench phone line 3" in lines
        assert "cameras.bench phone.rate_error_ppm = 12.5 line 10" in lines

    def test_set_and_unset(self, file: Path) -> None:
        status, out, err, _ = run_strobe("config", "set", "cameras.webcam.rate_error_ppm", "-12.5")
        assert (status, out, err) == (0, f"set cameras.webcam.rate_error_ppm to -12.5 in {file}\n", "")
        assert load_configuration().cameras["webcam"].uncertainty_ppm == 50
        assert run_strobe("config", "unset", "cameras.webcam")[:2] == (0, f"took cameras.webcam out of {file}\n")
        assert run_strobe("config", "set", "mains", "51")[0] == ExitStatus.USAGE

    def test_config_names_another_file(self, file: Path, tmp_path: Path) -> None:
        other = tmp_path / "other.toml"
        assert run_strobe("config", "set", "mains", "60", "--config", str(other))[0] == 0
        assert run_strobe("config", "--config", str(other), "set", "camera", "none")[0] == 0
        assert (load_configuration(other).mains_hz, load_configuration(other).camera) == (60, "none")
        assert not file.exists()

    @pytest.mark.parametrize("argv", [["config"], ["config", "set"], ["config", "unset"], ["calibrate"], ["look"]])
    def test_help_fits_80_columns_and_has_an_example(self, argv: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("COLUMNS", "80")
        status, out, err, _ = run_strobe(*argv, "--help")
        assert (status, err) == (0, "")
        assert max(map(len, out.splitlines())) <= 80
        assert f"strobe {' '.join(argv)} " in out


class TestMeasuring:
    def test_values_reach_the_measurement_and_the_reading_says_where_from(self, file: Path) -> None:
        file.write_text(WHOLE)
        status, out, _, asked = run_strobe("measure", "good.mp4")
        assert status == 0
        assert asked["mains"] is None
        assert asked["mains_default"] == 50
        assert asked["camera_rate_error_ppm"] == 12.5
        now = KnownCamera("bench phone", 12.5, 3.0, date(2026, 3, 1)).uncertainty_now_ppm(date.today())
        assert asked["camera_rate_uncertainty_ppm"] == pytest.approx(now)
        assert "50 Hz mains (configuration)" in out
        assert "it runs 12.5 ppm fast (bench phone, configuration)" in " ".join(out.split())

    def test_options_go_before_it(self, file: Path) -> None:
        file.write_text(WHOLE)
        asked = run_strobe("measure", "good.mp4", "--mains", "60", "--camera", "none")[3]
        assert asked["mains"] == 60
        assert "camera_rate_error_ppm" not in asked

    def test_a_camera_it_does_not_know(self, file: Path) -> None:
        file.write_text(WHOLE)
        status, _, err, _ = run_strobe("measure", "good.mp4", "--camera", "webcam")
        assert status == ExitStatus.USAGE
        assert "no camera is called 'webcam'" in flat(err)
        assert "it knows bench phone" in flat(err)

    def test_nothing_kept_adds_nothing(self, file: Path) -> None:
        file.write_text("")
        assert not {name for name in run_strobe("measure", "good.mp4")[3] if name.startswith(("camera", "mains_"))}

    def test_a_calibration_is_trusted_less_as_it_ages(self) -> None:
        camera = KnownCamera("a", 10, 4, date(2026, 1, 1))
        fresh = camera.uncertainty_now_ppm(date(2026, 1, 1))
        assert fresh == pytest.approx(math.hypot(4, 3))
        assert camera.uncertainty_now_ppm(date(2028, 1, 1)) == pytest.approx(math.hypot(4, 3, 6), rel=1e-3)
        assert camera.uncertainty_now_ppm(date(2025, 1, 1)) == fresh
        assert KnownCamera("a", 10, 4, None).uncertainty_now_ppm(date(2026, 1, 1)) > fresh

    @pytest.mark.parametrize(
        ("error", "uncertainty", "message"),
        [
            (1.0, None, "belong together"),
            (None, 1.0, "belong together"),
            (5000.0, 1.0, "rate error is 5000 ppm"),
            (math.nan, 1.0, "rate error is nan"),
            (1.0, 0.0, "uncertainty of the camera's rate is 0 ppm"),
        ],
    )
    def test_a_clock_that_makes_no_sense(self, error: float | None, uncertainty: float | None, message: str) -> None:
        with pytest.raises(UsageError, match=message):
            CameraClock.of(error, uncertainty)

    def test_mains_of_the_region_must_be_50_or_60(self) -> None:
        with pytest.raises(UsageError, match="mains default is 55 Hz"):
            strobe.measure("none.mp4", mains_default=55)

    def test_the_region_decides_only_between_readings_that_are_near(self) -> None:
        ranked = [_hypothesis(50.0, 10.0), _hypothesis(60.0, 9.0), _hypothesis(60.0, 2.0)]
        by_60 = favour_mains(ranked, 60.0)
        assert [one.lamp.mains_hz for one in by_60] == [60.0, 50.0, 60.0]
        assert [one.lamp.mains_hz for one in favour_mains(ranked, 50.0)] == [50.0, 60.0, 60.0]
        steady = [_hypothesis(None, 1.0, 180), _hypothesis(None, 0.0, 216)]
        assert [one.dots for one in favour_mains(steady, 60.0)] == [216, 180]


def _hypothesis(mains_hz: float | None, score: float, dots: int = 180) -> Any:
    from strobe.measuring.hypotheses import Hypothesis
    from strobe.measuring.lamps import Lamp as SeenLamp

    lamp = SeenLamp("mains", mains_hz, None, None, None, None, None)
    anything: Any = None
    return Hypothesis(anything, lamp, 100 / 3, dots, anything, score, 0.0, (dots,))


def lamp_clip(
    path: Path,
    cycles: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    fast_ppm: float = 0.0,
    frame_rate_hz: int = 30,
    seconds: float = 12.0,
    flicker: float = 0.2,
    metadata: dict[str, str] | None = None,
) -> Path:
    """A clip of a plain wall under a lamp with the phase `cycles` at true times, from a camera whose clock is fast."""
    import av

    height, width, readout_s = 64, 96, 0.015
    rng = np.random.default_rng(3)
    wall = rng.uniform(90, 140, (height, width))
    with av.open(str(path), "w") as container:
        container.metadata.update(metadata or {})
        stream: Any = container.add_stream("libx264", rate=frame_rate_hz, options={"crf": "12", "preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 90000)
        for k in range(round(seconds * frame_rate_hz)):
            true_s = k / frame_rate_hz / (1 + 1e-6 * fast_ppm) + readout_s * np.arange(height) / height
            light = 1 + flicker * np.cos(2 * np.pi * cycles(true_s))
            picture = np.clip(wall * light[:, None] + rng.normal(0, 1, wall.shape), 0, 255).astype(np.uint8)
            grey = np.full((height // 2, width), 128, np.uint8)
            frame = av.VideoFrame.from_ndarray(np.concatenate([picture, grey]), format="yuv420p")
            frame.pts, frame.time_base = k * 90000 // frame_rate_hz, Fraction(1, 90000)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


class TestCalibration:
    @pytest.mark.parametrize(
        ("fast_ppm", "lamp_hz", "frame_rate_hz"), [(-80.0, 110.0, 30), (35.0, 100.0, 30), (35.0, 90.5, 25)]
    )
    def test_the_clock_is_found_within_its_uncertainty(
        self, tmp_path: Path, fast_ppm: float, lamp_hz: float, frame_rate_hz: int
    ) -> None:
        clip = lamp_clip(
            tmp_path / "lamp.mp4", lambda t: lamp_hz * t + 0.3, fast_ppm=fast_ppm, frame_rate_hz=frame_rate_hz
        )
        found = calibrate_clock(clip, lamp_hz=lamp_hz, lamp_uncertainty_ppm=0.5)
        assert abs(found.rate_error_ppm - fast_ppm) < found.uncertainty_ppm < 10
        assert found.improves

    def test_what_is_not_known_of_the_lamp_is_in_the_uncertainty(self, tmp_path: Path) -> None:
        clip = lamp_clip(tmp_path / "lamp.mp4", lambda t: 110 * t)
        exact = calibrate_clock(clip, lamp_hz=110, lamp_uncertainty_ppm=0)
        rough = calibrate_clock(clip, lamp_hz=110, lamp_uncertainty_ppm=60)
        usual = calibrate_clock(clip, lamp_hz=110)
        assert rough.uncertainty_ppm == pytest.approx(math.hypot(exact.uncertainty_ppm, 60))
        assert usual.uncertainty_ppm == pytest.approx(math.hypot(exact.uncertainty_ppm, 20))
        assert (usual.lamp_uncertainty_given, rough.improves) == (False, False)

    def test_flashes_that_keep_step_are_refused_with_another_frame_rate(self, tmp_path: Path) -> None:
        clip = lamp_clip(tmp_path / "lamp.mp4", lambda t: 100.0 * t, frame_rate_hz=25)
        with pytest.raises(Refused, match="keep step with 25 pictures") as refused:
            calibrate_clock(clip, lamp_hz=100, lamp_uncertainty_ppm=20)
        assert refused.value.code == "no-flicker"
        assert "Film at 24 or 30 or 60 pictures a second" in refused.value.advice

    def test_steady_light_and_short_clips_are_refused(self, tmp_path: Path) -> None:
        steady = lamp_clip(tmp_path / "steady.mp4", lambda t: 110 * t, flicker=0.0)
        with pytest.raises(Refused, match="No flicker of about 110"):
            calibrate_clock(steady, lamp_hz=110)
        short = lamp_clip(tmp_path / "short.mp4", lambda t: 110 * t, seconds=3)
        with pytest.raises(Refused, match="too-short"):
            calibrate_clock(short, lamp_hz=110)

    def test_a_lamp_that_wanders_as_the_mains_does_is_refused(self, tmp_path: Path) -> None:
        clip = lamp_clip(tmp_path / "lamp.mp4", lambda t: 100 * t + 0.08 * np.cos(2 * np.pi * t / 14), seconds=14)
        with pytest.raises(Refused, match="wanders by"):
            calibrate_clock(clip, lamp_hz=100, lamp_uncertainty_ppm=20)

    def test_a_lamp_off_by_more_than_crystals_needs_somebodys_word(self, tmp_path: Path) -> None:
        clip = lamp_clip(tmp_path / "lamp.mp4", lambda t: 101.05 * t)
        with pytest.raises(Refused, match=r"-495 ppm.*A lamp on the mains may be off by 2000 ppm"):
            calibrate_clock(clip, lamp_hz=101)
        assert calibrate_clock(clip, lamp_hz=101, lamp_uncertainty_ppm=5).rate_error_ppm == pytest.approx(-495, abs=10)

    @pytest.mark.parametrize("mains_hz", [50.0, 60.0, 100.0, 120.0])
    def test_a_lamp_of_the_mains_rate_is_none_without_somebodys_word(self, tmp_path: Path, mains_hz: float) -> None:
        """The grid at +80 ppm, still for a clip: the camera would be called that much slow, to ±20."""
        clip = lamp_clip(tmp_path / "lamp.mp4", lambda t: mains_hz * (1 + 80e-6) * t, frame_rate_hz=28, seconds=6)
        with pytest.raises(
            UsageError, match=r"mains is no reference: it may be off by [12]000 ppm.*--lamp-uncertainty"
        ):
            calibrate_clock(clip, lamp_hz=mains_hz)
        assert calibrate_clock(clip, lamp_hz=mains_hz, lamp_uncertainty_ppm=200).improves is False

    @pytest.mark.parametrize(("lamp_hz", "ppm"), [(5.0, None), (5000.0, None), (math.nan, None), (100.0, -1.0)])
    def test_options_that_make_no_sense(self, lamp_hz: float, ppm: float | None) -> None:
        with pytest.raises(UsageError, match="lamp"):
            calibrate_clock("none.mp4", lamp_hz=lamp_hz, lamp_uncertainty_ppm=ppm)

    def test_the_command_keeps_the_outcome(self, file: Path, tmp_path: Path) -> None:
        clip = str(lamp_clip(tmp_path / "lamp.mp4", lambda t: 100.5 * t, fast_ppm=40))
        status, out, err, _ = run_strobe("calibrate", clip, "--lamp", "100.5")
        assert (status, err) == (0, "")
        assert "ppm fast (±2" in out
        assert "ASSUMED     lamp of 100.5 flashes" in out
        assert "Mains lamps flash at about this rate" in out
        assert max(map(len, out.splitlines())) <= 80 or str(tmp_path) in out
        assert not file.exists()
        status, out, _, _ = run_strobe(
            *("calibrate", clip, "--lamp", "100.5", "--lamp-uncertainty", "1", "--camera", "bench phone", "--keep")
        )
        assert "KEPT        as 'bench phone' in" in out
        kept = load_configuration().cameras["bench phone"]
        assert abs(kept.rate_error_ppm - 40) < kept.uncertainty_ppm < 10
        assert kept.calibrated_on == date.today()

    def test_the_command_says_what_is_wrong(self, file: Path, tmp_path: Path) -> None:
        clip = str(lamp_clip(tmp_path / "lamp.mp4", lambda t: 100 * t, frame_rate_hz=25, seconds=6))
        assert run_strobe("calibrate", clip, "--lamp", "100", "--lamp-uncertainty", "20")[0] == ExitStatus.REFUSED
        status, _, err, _ = run_strobe("calibrate", clip, "--lamp", "100")
        assert (status, "say how exact it is with --lamp-uncertainty" in flat(err)) == (ExitStatus.USAGE, True)
        status, _, err, _ = run_strobe("calibrate", clip, "--lamp", "100", "--keep")
        assert (status, "--keep needs a name" in flat(err)) == (ExitStatus.USAGE, True)
        assert run_strobe("calibrate", clip, "--lamp", "100", "--camera", "a.b", "--keep")[0] == ExitStatus.USAGE
        assert run_strobe("calibrate", str(tmp_path / "none.mp4"), "--lamp", "110")[0] == ExitStatus.UNREADABLE
        rough = str(lamp_clip(tmp_path / "rough.mp4", lambda t: 110 * t, seconds=6))
        status, out, _, _ = run_strobe(
            *("calibrate", rough, "--lamp", "110", "--lamp-uncertainty", "80", "--camera", "a", "--keep")
        )
        assert status == 0
        assert "nothing to keep" in out
        assert not file.exists()


def test_a_calibrated_clock_corrects_a_later_measurement(tmp_path: Path) -> None:
    slow_ppm = 120.0
    lamp = lamp_clip(tmp_path / "lamp.mp4", lambda t: 110 * t, fast_ppm=-slow_ppm)
    clock = calibrate_clock(lamp, lamp_hz=110, lamp_uncertainty_ppm=1)
    assert abs(clock.rate_error_ppm + slow_ppm) < clock.uncertainty_ppm < 15
    scene = Scene(
        rows=(DotRow(180),),
        speed=Speed(100 / 3, 0.25),
        lamp=Lamp("sine", 99.97, modulation=0.15, phase_cycles=0.6),
        camera=Camera(480, 270, 30.0, clock_error_ppm=slow_ppm, exposure_s=0.002),
        coding=Coding(bit_rate=1_200_000),
        seconds=10.0,
    )
    clip = tmp_path / "clip.mp4"
    render_clip(scene, clip, rng=np.random.default_rng(5))
    plain = strobe.measure(clip)
    right = strobe.measure(
        clip, camera_rate_error_ppm=clock.rate_error_ppm, camera_rate_uncertainty_ppm=clock.uncertainty_ppm
    )
    assert plain.speed.deviation_percent - right.speed.deviation_percent == pytest.approx(slow_ppm * 1e-4, abs=2e-3)
    assert abs(right.speed.deviation_percent - 0.25) < right.speed.uncertainty_percent
    assert right.speed.uncertainty_percent < plain.speed.uncertainty_percent
    assert right.timing.camera_rate_error_ppm == clock.rate_error_ppm
    assert plain.timing.camera_rate_error_ppm is None
    assert right.timing.flash_rate_hz == pytest.approx(99.97, rel=3e-5)
    assert right.clip.frame_rate_hz == pytest.approx(30 * (1 - 1e-6 * slow_ppm), rel=2e-5)
