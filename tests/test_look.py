"""A look at a clip as a measuring picture: what it says of good clips, bad clips, and clips that are refused."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import made_scenes as made
import numpy as np
import pytest
from messages import check_lines
from numpy.typing import NDArray

import strobe
from strobe.capture import Frame
from strobe.cli import run
from strobe.console import ExitStatus
from strobe.errors import ClipUnreadable, UsageError
from strobe.looking.file import coded_again, file_facts, file_signs
from strobe.looking.results import FileFacts, Look, SeenRow, Shake
from strobe.looking.stillness import Stillness
from strobe.render import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble, render_clip
from strobe.report.look import look_text

SAMPLES = Path(__file__).parent.parent / "sample_clips"
KEYS = {
    *("schema", "clip", "grade", "reach", "refusal", "limits", "changes", "light", "shutter", "rows", "shake"),
    *("timing", "still", "file", "signs"),
}
SHUTTER_FACTOR = 2.0
"""What the rough exposure is said to be good to."""


@pytest.fixture(scope="module")
def looks() -> dict[str, Look]:
    """The sample clips that differ as pictures."""
    names = ("01-as-found-33", "05-filament-lamp-33", "06-smeared-33", "07-stopped")
    return {name[:2]: strobe.look(SAMPLES / f"{name}.mp4") for name in names}


def filmed(path: Path, *, lamp: Lamp, camera: Camera, seconds: float = 8.0, dots: int = 180) -> Path:
    scene = Scene(
        rows=(DotRow(dots),),
        speed=Speed(100 / 3, 0.3, (Wobble(0.1, per_revolution=1.0),)),
        lamp=lamp,
        camera=camera,
        coding=Coding(bit_rate=8 * camera.width * camera.height),
        seconds=seconds,
    )
    render_clip(scene, path, rng=np.random.default_rng(2))
    return path


def small_camera(**changes: Any) -> Camera:
    return replace(Camera(480, 270, 30.0, exposure_s=0.003), **changes)


def run_look(*argv: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    return run(["look", *argv], out=out, err=err), out.getvalue(), check_lines(err)


def test_a_look_at_a_clip_whose_stamps_are_no_times(tmp_path: Path) -> None:
    """Two frames at one time tell of no rate; that the row moves is seen nevertheless."""
    clip, rng = tmp_path / "twice.mp4", np.random.default_rng(3)
    passing = made.panned(rng, made.stripes(19.0), lambda n: 4.7 * n, 66, before=made.room(rng), window=(140, 240))
    made.write_planes(clip, passing, stamps_s=lambda number: number // 2 * 29 % 33 / 15)
    status, out, _ = run_look(str(clip), "--json")
    seen = json.loads(out)
    assert status == ExitStatus.MEASURED
    assert (seen["refusal"]["reason"], seen["timing"]["kind"]) == ("bad-timing", "unusable")
    assert seen["shake"]["weighted_percent"] > 0
    assert [row["moves"] for row in seen["rows"]] == [True]


class TestSampleClips:
    def test_a_good_clip_is_called_good_and_needs_nothing(self, looks: dict[str, Look]) -> None:
        seen = looks["01"]
        assert (seen.grade, seen.refusal, seen.changes) == ("good", None, ())
        assert seen.light.kind == "flashes"
        assert seen.light.flash_rate_hz == pytest.approx(100.02, abs=0.005)
        assert seen.shutter.timed_by == "lamp"
        assert [row.moves for row in seen.rows] == [True]
        assert seen.rows[0].pitch_px == pytest.approx(22.2, abs=0.5)
        assert seen.shake is not None
        assert seen.shake.rms_px < 0.1
        assert (seen.timing.kind, seen.timing.dropped, seen.timing.frames) == ("exact", 0, 600)

    def test_what_was_reached_is_what_measure_gives(self, looks: dict[str, Look]) -> None:
        measured = strobe.measure(SAMPLES / "01-as-found-33.mp4")
        reach = looks["01"].reach
        assert reach is not None
        assert reach.speed_uncertainty_percent == measured.speed.uncertainty_percent
        assert reach.weighted_floor_percent == measured.fluctuation.weighted_floor_percent
        assert (reach.dots, reach.deviation_percent) == (measured.setup.dots, measured.speed.deviation_percent)

    def test_soft_light_and_its_shutter(self, looks: dict[str, Look]) -> None:
        seen = looks["05"]
        assert (seen.light.kind, seen.shutter.timed_by) == ("soft", "camera")
        assert seen.shutter.exposure_s is not None
        assert seen.shutter.is_bound
        assert 0.004 < seen.shutter.exposure_s < 0.004 * SHUTTER_FACTOR

    def test_refused_clips_are_looked_at_too(self, looks: dict[str, Look]) -> None:
        for name, reason in (("06", "no-contrast"), ("07", "not-turning")):
            seen = looks[name]
            assert seen.refusal is not None
            assert (seen.grade, seen.reach, seen.limits, seen.refusal.reason) == ("refused", None, (), reason)
            assert seen.changes[0] == seen.refusal.advice
            assert len(seen.changes) <= 2
        assert [row.moves for row in looks["07"].rows] == [False]
        assert looks["07"].light.flash_rate_hz is not None

    def test_the_picture_fits_80_columns_and_one_screen_with_the_answer_first(self, looks: dict[str, Look]) -> None:
        firsts = {"01": "GOOD", "05": "GOOD", "06": "NO READING", "07": "NO READING"}
        for name, seen in looks.items():
            lines = look_text(replace(seen, path="clip.mp4")).plain.splitlines()
            assert max(map(len, lines)) <= 80
            assert len(lines) <= 26
            assert lines[0].startswith(f"{firsts[name]:<12}clip.mp4, ")
            broken = replace(seen, timing=replace(seen.timing, breaks=1))
            assert "the clip's clock breaks 1 time" in " ".join(look_text(broken).plain.split())
            assert "1 times" not in " ".join(look_text(broken).plain.split())
            for label in ("CHANGE", "LIGHT", "SHUTTER", "DOTS", "SHAKE", "TIMING", "FILE"):
                assert sum(line.startswith(f"{label:<12}") for line in lines) == 1

    def test_json_has_its_keys_and_plain_numbers(self, looks: dict[str, Look]) -> None:
        for seen in looks.values():
            found = json.loads(json.dumps(seen.to_dict(), allow_nan=False))
            assert set(found) == KEYS
            assert found["schema"] == "strobe.look/1"
        refusal = looks["06"].to_dict()["refusal"]
        assert refusal["schema"] == "strobe.refusal/1"


class TestFaults:
    def test_lamp_in_step_with_the_frames(self, tmp_path: Path) -> None:
        clip = filmed(tmp_path / "step.mp4", lamp=Lamp("half-sine", 100.0), camera=small_camera(frame_rate_hz=25.0))
        seen = strobe.look(clip)
        assert seen.light.in_step_hz == (100.0,)
        assert seen.light.flash_rate_hz is None
        assert seen.grade != "good"
        assert seen.limits[0].code in ("in-step", "mains")
        assert "30 or 60 pictures a second" in seen.changes[0] or "--mains" in seen.changes[0]

    def test_no_frame_rate_is_advised_that_keeps_step_too(self, tmp_path: Path) -> None:
        """100 and 120 flashes are 5 and 6 a frame at 20 pictures a second; at 24 the 120 are 5 again."""
        clip = filmed(tmp_path / "slow.mp4", lamp=Lamp("half-sine", 120.0), camera=small_camera(frame_rate_hz=20.0))
        seen = strobe.look(clip)
        assert seen.light.in_step_hz == (100.0, 120.0)
        assert seen.changes[0].startswith(
            "Film at 24 or 30 or 60 pictures a second on 50 Hz mains or at 25 or 50 pictures a second on 60 Hz mains, "
        )

    @pytest.mark.parametrize(("lamp", "in_step_hz"), [(250.0, (250.0,)), (110.0, ()), ("steady", ())])
    def test_a_lamp_that_is_told_is_the_one_that_keeps_step(
        self, tmp_path: Path, lamp: str | float, in_step_hz: tuple[float, ...]
    ) -> None:
        """25 pictures a second; 110 flashes would creep, but the light is another, so that no flicker is seen."""
        clip = filmed(tmp_path / "told.mp4", lamp=Lamp("half-sine", 250.0), camera=small_camera(frame_rate_hz=25.0))
        assert strobe.look(clip, lamp=lamp, dots=180).light.in_step_hz == in_step_hz

    def test_a_lamp_that_may_be_of_either_mains(self, tmp_path: Path) -> None:
        """20 pictures a second show 100.25 flashes as 120.25: told, it is the mains'; else both are in the bounds."""
        camera = small_camera(frame_rate_hz=20.0, exposure_s=0.012, readout_s=0.02)
        clip = filmed(tmp_path / "either.mp4", lamp=Lamp("half-sine", 120.25), camera=camera, seconds=6.0, dots=216)
        for told, rate_hz in ((60.0, 120.25), (50.0, 100.25), (None, 120.25)):
            light = strobe.look(clip, rpm=33, mains=told).light
            assert light.flash_rate_hz is not None
            assert light.flash_rate_uncertainty_hz is not None
            assert abs(light.flash_rate_hz - rate_hz) < light.flash_rate_uncertainty_hz
            assert told is None or light.flash_rate_uncertainty_hz < 0.1

    @pytest.mark.parametrize(("exposure_s", "is_bound"), [(0.0015, True), (0.007, False)])
    def test_the_shutter_is_told_to_a_factor_of_two(self, tmp_path: Path, exposure_s: float, is_bound: bool) -> None:
        lamp = Lamp("sine", 100.03, modulation=0.2)
        seen = strobe.look(filmed(tmp_path / "clip.mp4", lamp=lamp, camera=small_camera(exposure_s=exposure_s)))
        assert seen.shutter.timed_by == "camera"
        assert seen.shutter.exposure_s is not None
        assert seen.shutter.is_bound == is_bound
        assert seen.shutter.exposure_s / exposure_s > (1 if is_bound else 1 / SHUTTER_FACTOR)
        assert seen.shutter.exposure_s < (0.006 if is_bound else exposure_s * SHUTTER_FACTOR)

    def test_shake_and_missing_frames_are_seen(self, tmp_path: Path) -> None:
        camera = small_camera(shake_px=2.0, dropped_frames=(40, 90, 91))
        seen = strobe.look(filmed(tmp_path / "clip.mp4", lamp=Lamp("half-sine", 100.03), camera=camera))
        assert seen.shake is not None
        assert 1.0 < seen.shake.rms_px < 5.0
        assert seen.shake.weighted_percent > 0.05
        assert seen.timing.dropped == 3
        assert any("stand" in change for change in seen.changes)
        text = look_text(seen).plain
        assert "3 missing" in text

    def test_clips_with_nothing_in_them(self, write_clip: Callable[..., Path]) -> None:
        for name, frames in (("one.mp4", 1), ("two.mp4", 2), ("some.mp4", 40), ("long.mp4", 100)):
            seen = strobe.look(write_clip(name, frames=frames, size=(320, 180)))
            assert seen.refusal is not None
            assert seen.timing.frames == frames
            assert (seen.rows, seen.shutter.timed_by) == ((), None)
            json.dumps(seen.to_dict(), allow_nan=False)
            assert max(map(len, look_text(replace(seen, path="c.mp4")).plain.splitlines())) <= 80

    def test_options_are_checked_before_the_clip_is_read(self) -> None:
        with pytest.raises(UsageError, match="dots is 2"):
            strobe.look("none.mp4", dots=2)
        with pytest.raises(ClipUnreadable):
            strobe.look("none.mp4")

    def test_the_clip_is_opened_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        import strobe.measuring.reading as reading

        opened = []
        really = reading.open_clip

        def count(*argv: Any, **options: Any) -> Any:
            opened.append(argv)
            return really(*argv, **options)

        monkeypatch.setattr(reading, "open_clip", count)
        strobe.look(SAMPLES / "07-stopped.mp4")
        assert len(opened) == 1


class TestCommand:
    def test_text_and_json(self) -> None:
        clip = str(SAMPLES / "07-stopped.mp4")
        status, out, err = run_look(clip)
        assert (status, err) == (ExitStatus.MEASURED, "")
        assert out.startswith("NO READING  ")
        assert "not-turning: A row of dots or stripes is seen" in " ".join(out.split())
        status, out, err = run_look(clip, clip, "--json")
        assert (status, err) == (0, "")
        assert [json.loads(line)["clip"] for line in out.splitlines()] == [{"path": clip}, {"path": clip}]

    def test_unreadable_and_wrong_usage(self, tmp_path: Path) -> None:
        text = tmp_path / "no.mp4"
        text.write_text("not a clip")
        status, out, err = run_look(str(text), "--json")
        assert (status, out) == (ExitStatus.UNREADABLE, "")
        assert "NOT READ" in err
        assert run_look(str(text), "--mains", "55")[0] == ExitStatus.USAGE
        assert run_look(str(text), "--camera", "stranger")[0] == ExitStatus.USAGE


def facts_of(**changes: Any) -> FileFacts:
    plain = FileFacts("mp4", "h264", 1920, 1080, 8, "sdr", 0, 17e6, 8.2, "a device", None)
    return replace(plain, **changes)


class TestFile:
    @pytest.mark.parametrize(
        ("changes", "again"),
        [
            ({}, False),
            ({"device": None}, False),
            ({"device": None, "written_by": "muxer 1"}, False),
            ({"device": None, "bits_per_pixel_s": 2.5}, False),
            ({"device": None, "bits_per_pixel_s": 2.5, "written_by": "muxer 1"}, True),
            ({"device": None, "bits_per_pixel_s": 2.5, "width": 848, "height": 478}, True),
            ({"device": None, "bits_per_pixel_s": 2.5, "codec": "hevc", "written_by": "muxer 1"}, False),
            ({"bits_per_pixel_s": 2.5, "written_by": "muxer 1"}, False),
        ],
    )
    def test_two_signs_without_a_device_make_a_file_coded_again(self, changes: dict[str, Any], again: bool) -> None:
        assert coded_again(facts_of(**changes)) == again

    @pytest.mark.parametrize(("text", "told"), [("1", True), ("standard", True), ("off", False), ("False", False)])
    def test_stabilising_that_is_switched_off_is_no_sign(
        self, write_clip: Callable[..., Path], text: str, told: bool
    ) -> None:
        from strobe.capture import open_clip

        with open_clip(write_clip("tagged.mp4")) as clip:
            facts = replace(clip.facts, metadata=(("video-stabilization", text),))
            codes = [sign.code for sign in file_signs(file_facts(facts, 0.2), facts)]
        assert ("stabilised" in codes) == told

    def test_device_and_writer_come_from_the_tags(self, write_clip: Callable[..., Path]) -> None:
        from strobe.capture import open_clip

        plain = write_clip("plain.mp4", size=(850, 478))
        named = write_clip("named.mov", metadata={"make": "Invented", "model": "P 1"})
        found = []
        for path in (plain, named):
            with open_clip(path) as clip:
                file = file_facts(clip.facts, 0.2)
                found.append((file, file_signs(file, clip.facts)))
        (file, signs), (by_device, no_signs) = found
        assert (file.device, file.width, file.height, file.container) == (None, 850, 478, "mp4")
        assert file.written_by is not None
        assert file.bits_per_s == pytest.approx(8 * plain.stat().st_size / 0.2)
        assert [sign.code for sign in signs] == ["coded-again"]
        assert "850 x 478 is no usual camera size" in signs[0].message
        assert "Send the original file." in signs[0].message
        assert by_device.device == "Invented P 1"
        assert no_signs == []


def grey_frames(pictures: NDArray[np.float64]) -> Iterator[Frame]:
    for k, picture in enumerate(pictures):
        yield Frame(k, k / 30, np.clip(np.rint(picture), 0, 255).astype(np.uint8), None, None)


class TestStillParts:
    def seen(self, keep: float, *, repeat: bool = False) -> Stillness:
        """Noise of which a share `keep` is carried on from frame to frame, under a lamp whose light beats."""
        rng = np.random.default_rng(4)
        scene = rng.uniform(60, 180, (90, 120))
        noise = rng.normal(0, 3, (60, 90, 120))
        for k in range(1, 60):
            noise[k] = keep * noise[k - 1] + np.sqrt(1 - keep**2) * noise[k]
        beat = 1 + 0.1 * np.sin(2 * np.pi * (np.arange(60)[:, None] / 3 + np.arange(90) / 40))
        pictures = scene * beat[:, :, None] * (not repeat) + noise + 100 * repeat
        if repeat:
            pictures = pictures[np.arange(60) // 4]
        still = Stillness()
        assert len(list(still.over(grey_frames(pictures)))) == 60
        return still

    def test_fresh_noise(self) -> None:
        still = self.seen(0.0)
        assert still.renewal == pytest.approx(1.0, abs=0.15)
        assert still.unchanged_share is not None
        assert still.unchanged_share < 0.2
        assert still.noise_levels == pytest.approx(3.0, rel=0.4)

    def test_averaging_over_time_shows(self) -> None:
        fresh, averaged = self.seen(0.0).renewal, self.seen(0.6).renewal
        assert fresh is not None
        assert averaged is not None
        assert averaged < 0.6 * fresh

    def test_repeated_pictures_show(self) -> None:
        share = self.seen(0.0, repeat=True).unchanged_share
        assert share == pytest.approx(0.75, abs=0.05)

    def test_too_few_frames_say_nothing(self) -> None:
        still = Stillness()
        list(still.over(grey_frames(np.full((20, 40, 60), 100.0))))
        assert (still.unchanged_share, still.noise_levels, still.renewal) == (None, None, None)

    def test_a_picture_that_never_changes(self) -> None:
        still = Stillness()
        list(still.over(grey_frames(np.full((50, 40, 60), 100.0))))
        assert (still.unchanged_share, still.renewal) == (1.0, None)


class TestText:
    def test_many_rows_and_poor_clips_fit(self, looks: dict[str, Look]) -> None:
        rows = tuple(SeenRow(0.5, 10.0 + k, 30.0, 40.0, k > 0) for k in range(6))
        seen = replace(
            looks["01"],
            grade="poor",
            rows=rows,
            shake=Shake(3.2, 0.8, 1.4),
            changes=("One thing.", "Another thing."),
            path="a" * 200,
        )
        text = look_text(seen).plain
        assert max(map(len, text.splitlines())) <= 80
        assert "2. Another thing." in text
        assert "2 more" in text
        assert "left alone it would read as 1.4 % of wobble" in text
        assert text.splitlines()[0].startswith("POOR")
