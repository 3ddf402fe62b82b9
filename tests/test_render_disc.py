"""Clips of a printed disc from above against closed forms: other tests take them for the truth."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from test_printing import darkness

from strobe.errors import UsageError
from strobe.printing import print_disc
from strobe.render import Camera, Lamp, Speed, Wobble
from strobe.render.disc import (
    DiscScene,
    IndexBlock,
    OnTop,
    PagePicture,
    PaperDisc,
    PrintedRing,
    disc_frames,
    disc_truth,
    project_disc,
    render_disc_clip,
    visible_share,
)

Floats = NDArray[Any]

THIRD = 100 / 3
RING = PrintedRing(90, 70.0, 80.0)
DISC = PaperDisc((RING,), 190.0)
CAMERA = Camera(
    width=480, height=480, distance_mm=420.0, hfov_deg=28.0, noise=0.0, blur_px=0.0, readout_s=0.0, brightness=0.4
)
STEADY = Lamp("steady", ambient=0.0)
PLACES = 4800
# A pixel is half a millimetre; whole numbers of brightness and the pixel grid leave this much of a pitch.
PHASE_TOLERANCE_PITCH = 0.003


def a_scene(**changes: Any) -> DiscScene:
    basis = DiscScene(DISC, Speed(THIRD), STEADY, CAMERA, seconds=0.4, elevation_deg=90.0, first_angle_rev=0.123)
    return replace(basis, **changes)


def drawn(scene: DiscScene) -> list[Any]:
    return list(disc_frames(scene, rng=np.random.default_rng(3)))


def round_the_ring(scene: DiscScene, luma: Floats, ring: PrintedRing = RING) -> tuple[Floats, Floats]:
    """Azimuths, and the linear light of the picture along the middle of a ring about the spindle."""
    azimuth = (np.arange(PLACES) + 0.5) * 2 * np.pi / PLACES
    x, y = project_disc(scene, ring.middle_mm, azimuth)
    linear = np.clip((luma.astype(float) - 16) / 219, 0, None) ** 2.2
    return azimuth, ndimage.map_coordinates(linear, [y - 0.5, x - 0.5], order=1)


def turned_pitches(scene: DiscScene, luma: Floats, ring: PrintedRing = RING, part: slice = slice(None)) -> complex:
    """How far a ring is turned, in pitches, as the angle of a complex number; its size is the contrast."""
    azimuth, light = round_the_ring(scene, luma, ring)
    wave = np.exp(-1j * ring.bars * azimuth[part])
    return complex(-np.mean(light[part] * wave))


def apart(first: complex, turned: float) -> float:
    """Difference of a measured phase and an angle in pitches, wrapped."""
    return float(np.angle(first * np.exp(-2j * np.pi * turned)) / (2 * np.pi))


@pytest.mark.parametrize("elevation", [90.0, 60.0, 30.0])
def test_the_whole_ring_shows_the_angle_at_mid_exposure(elevation: float) -> None:
    scene = a_scene(elevation_deg=elevation, speed=Speed(THIRD, 0.7, (Wobble(0.5, per_revolution=1.0),)))
    for frame in drawn(scene):
        angle = float(scene.film.angle_rev(frame.start_s + CAMERA.exposure_s / 2))
        measured = turned_pitches(scene, frame.luma)
        assert apart(measured, angle * RING.bars) == pytest.approx(0, abs=PHASE_TOLERANCE_PITCH)


def test_a_clockwise_platter_turns_clockwise_in_the_picture() -> None:
    """The index block runs from the near side to the left, up, and over to the right."""
    disc = replace(DISC, index=IndexBlock(82.0, 92.0, 12.0))
    camera = replace(CAMERA, frame_rate_hz=THIRD / 60 * 4)
    scene = a_scene(disc=disc, camera=camera, seconds=4 / camera.frame_rate_hz, first_angle_rev=0.0)
    bare = a_scene(camera=camera, seconds=4 / camera.frame_rate_hz, first_angle_rev=0.0)
    places = []
    for frame, without in zip(drawn(scene), drawn(bare), strict=True):
        missing = without.luma.astype(float) - frame.luma
        assert missing.min() >= 0
        row, column = ndimage.center_of_mass(missing)
        places.append((round((column - 239.5) / 100), round((row - 239.5) / 100)))
    assert places == [(0, 2), (-2, 0), (0, -2), (2, 0)]


def test_the_index_block_is_dark_for_as_long_as_it_covers_a_place() -> None:
    block = IndexBlock(82.0, 92.0, 12.0)
    disc = replace(DISC, index=block)
    for lamp in (STEADY, Lamp("pulse", 100.0, duty=0.1, ambient=0.0), Lamp("sine", 100.0, modulation=0.5)):
        camera = replace(CAMERA, exposure_s=0.02)
        scene, bare = a_scene(disc=disc, lamp=lamp, camera=camera), a_scene(lamp=lamp, camera=camera)
        ring = PrintedRing(3, 86.0, 88.0)
        lit = round_the_ring(scene, drawn(scene)[1].luma, ring)[1]
        azimuth, full = round_the_ring(scene, drawn(bare)[1].luma, ring)
        missing = 1 - lit / full
        start = 1 / camera.frame_rate_hz
        time = np.linspace(start, start + camera.exposure_s, 801)
        weight = lamp.intensity(time) / lamp.intensity(time).mean()
        own = np.mod(azimuth[:, None] / (2 * np.pi) + scene.film.angle_rev(time) + 0.5, 1) - 0.5
        half = block.wide_mm / 2 / block.outer_mm / (2 * np.pi)
        expected = (0.75 / 0.80) * np.mean((np.abs(own) < half) * weight, axis=1)
        # The edge may be smeared by a pixel, which is half a millimetre of twelve.
        assert missing.sum() == pytest.approx(expected.sum(), rel=0.01)
        assert np.sum(missing * azimuth) / missing.sum() == pytest.approx(
            np.sum(expected * azimuth) / expected.sum(), abs=0.05 / 87
        )


def test_an_off_centre_disc_shifts_the_bars_by_its_own_geometry() -> None:
    """Seen from the spindle a place of the paper lies where the paper's centre plus its own radius puts it."""
    offset, direction = 1.0, 40.0
    scene = a_scene(disc=replace(DISC, offset_mm=offset, offset_deg=direction))
    for frame in drawn(scene)[::4]:
        angle = float(scene.film.angle_rev(frame.start_s + CAMERA.exposure_s / 2))
        azimuth, _ = round_the_ring(scene, frame.luma)
        centre = offset * np.exp(1j * (np.radians(direction) - 2 * np.pi * angle))
        own = np.angle((RING.middle_mm * np.exp(1j * azimuth) - centre) * np.exp(2j * np.pi * angle))
        worst = []
        for part in range(24):
            window = slice(part * PLACES // 24, (part + 1) * PLACES // 24)
            measured = turned_pitches(scene, frame.luma, part=window)
            model = np.mean(np.exp(1j * RING.bars * (own[window] - azimuth[window])))
            worst.append(apart(measured, float(np.angle(model)) / (2 * np.pi)))
        # A window of 3.75 bars does not hold whole ones, but all windows together do.
        assert np.abs(worst).max() < 0.03
        assert np.mean(worst) == pytest.approx(0, abs=PHASE_TOLERANCE_PITCH)
        assert apart(turned_pitches(scene, frame.luma), angle * RING.bars) == pytest.approx(
            0, abs=2 * PHASE_TOLERANCE_PITCH
        )
    assert RING.bars * offset / RING.middle_mm / (2 * np.pi) > 5 * 0.03


@pytest.mark.parametrize("elevation", [90.0, 45.0])
def test_every_row_is_read_at_its_own_time(elevation: float) -> None:
    camera = replace(CAMERA, readout_s=0.03, exposure_s=0.001)
    scene = a_scene(camera=camera, elevation_deg=elevation)
    frame = drawn(scene)[3]
    azimuth, _ = round_the_ring(scene, frame.luma)
    _, y = project_disc(scene, RING.middle_mm, azimuth)
    for middle in (0, PLACES // 4, PLACES // 2, 3 * PLACES // 4):
        window = np.arange(middle - PLACES // 18, middle + PLACES // 18) % PLACES
        begun = frame.start_s + camera.readout_s * np.floor(y[window]) / camera.height
        own = azimuth[window] + 2 * np.pi * scene.film.angle_rev(begun + camera.exposure_s / 2)
        model = np.mean(np.exp(1j * RING.bars * (own - azimuth[window])))
        light = round_the_ring(scene, frame.luma)[1][window]
        measured = -np.mean((light - light.mean()) * np.exp(-1j * RING.bars * azimuth[window]))
        assert apart(measured, float(np.angle(model)) / (2 * np.pi)) == pytest.approx(0, abs=0.02)
    # Near and far side differ by far more.
    assert RING.bars * THIRD / 60 * camera.readout_s / 2 * math.sin(math.radians(elevation)) > 0.3


def test_bars_blur_as_the_exposure_integral_says() -> None:
    """Under steady light the contrast falls as sinc(f T), with f bars a second and T the exposure."""
    still = drawn(a_scene(speed=Speed(THIRD, -100.0)))[0]
    basis = abs(turned_pitches(a_scene(), still.luma))
    rate = RING.bars * THIRD / 60
    for exposure in (0.004, 0.010, 0.016):
        scene = a_scene(camera=replace(CAMERA, exposure_s=exposure))
        seen = abs(turned_pitches(scene, drawn(scene)[2].luma))
        assert seen / basis == pytest.approx(abs(np.sinc(rate * exposure)), abs=0.01)
    assert basis == pytest.approx(0.4 / 0.80 * 0.75 / np.pi, rel=0.05)


def test_bars_stand_still_under_the_lamp_that_they_are_made_for() -> None:
    """180 bars under 100 flashes a second at 33 1/3 rpm: 60 F / N."""
    ring = PrintedRing(180, 70.0, 80.0)
    lamp = Lamp("pulse", 100.0, duty=0.02, ambient=0.0)
    camera = replace(CAMERA, exposure_s=0.01, readout_s=0.02)
    scene = a_scene(disc=PaperDisc((ring,), 190.0), lamp=lamp, camera=camera, first_angle_rev=0.0)
    for frame in drawn(scene):
        assert apart(turned_pitches(scene, frame.luma, ring), 0.0) == pytest.approx(0, abs=0.01)


def test_a_ring_is_counted_round_the_picture() -> None:
    rings = (PrintedRing(133, 80.0, 88.0), PrintedRing(77, 60.0, 68.0))
    scene = a_scene(disc=PaperDisc(rings, 190.0))
    for ring in rings:
        light = round_the_ring(scene, drawn(scene)[0].luma, ring)[1]
        strength = np.abs(np.fft.rfft(light - light.mean()))
        assert np.argmax(strength) == ring.bars


def test_what_lies_on_top_hides_its_share() -> None:
    assert visible_share(a_scene(), RING) == 1.0
    assert visible_share(a_scene(on_top=OnTop(covered_deg=120.0)), RING) == pytest.approx(2 / 3, abs=0.005)
    assert visible_share(a_scene(on_top=OnTop(record_mm=175.0)), RING) == 0.0
    half_height_mm = CAMERA.distance_mm * CAMERA.height / 2 / CAMERA.focal_px
    assert visible_share(a_scene(aim_y_mm=half_height_mm), RING) == pytest.approx(0.5, abs=0.005)
    assert 0.8 < visible_share(a_scene(on_top=OnTop(tonearm=True), elevation_deg=60.0), RING) < 1.0
    scene = a_scene(on_top=OnTop(covered_deg=120.0, covered_at_deg=90.0))
    azimuth, light = round_the_ring(scene, drawn(scene)[0].luma)
    hidden = np.abs(azimuth - np.pi / 2) < np.radians(58)
    assert np.ptp(light[hidden]) < 0.05
    assert np.ptp(light[np.abs(azimuth - 1.5 * np.pi) < 1]) > 0.2


def test_a_printed_page_photographed_turns_like_the_plan(tmp_path: Path) -> None:
    """The page that was printed, on the platter instead of the plan: same count, same angle, same contrast."""
    plan = print_disc(tmp_path / "disc.pdf", bars=[90], rpms=[])
    dark = darkness(plan.files[0], 1)
    px_per_mm = 300 / 25.4
    centre = (dark.shape[1] / 2, (10.0 + plan.diameter_mm / 2) * px_per_mm)
    ring = PrintedRing(plan.rings[0].bars, plan.rings[0].inner_mm, plan.rings[0].outer_mm)
    disc = PaperDisc((ring,), plan.diameter_mm, offset_mm=0.5, offset_deg=200.0)
    lamp = Lamp("pulse", 100.0, duty=0.1)
    planned = a_scene(disc=disc, lamp=lamp, elevation_deg=55.0)
    filmed = replace(planned, disc=replace(disc, page=PagePicture(dark, px_per_mm, centre)))
    for one, other in zip(drawn(planned)[:4], drawn(filmed)[:4], strict=True):
        first, second = (turned_pitches(planned, frame.luma, ring) for frame in (one, other))
        assert np.angle(second / first) / (2 * np.pi) == pytest.approx(0, abs=2 * PHASE_TOLERANCE_PITCH)
        assert abs(second / first) == pytest.approx(1, abs=0.08)


def test_the_clip_and_its_truth(tmp_path: Path) -> None:
    import av

    disc = replace(DISC, index=IndexBlock(88.0, 92.0), offset_mm=0.7, offset_deg=30.0)
    scene = a_scene(
        disc=disc, speed=Speed(THIRD, 0.3), on_top=OnTop(covered_deg=90.0), camera=replace(CAMERA, noise=1.0)
    )
    truth = render_disc_clip(scene, tmp_path / "above.mp4", rng=np.random.default_rng(4))
    with av.open(str(tmp_path / "above.mp4")) as clip:
        stamps = [frame.time for frame in clip.decode(video=0)]
    np.testing.assert_allclose(stamps, np.arange(12) / 30, atol=1e-4)
    assert truth == disc_truth(scene)
    assert json.loads((tmp_path / "above.truth.json").read_text()) == json.loads(json.dumps(truth))
    assert truth["schema"] == "strobe.truth/1"
    assert truth["speed"]["deviation_percent"] == pytest.approx(0.3)
    assert (truth["disc"]["offset_mm"], truth["disc"]["offset_deg"]) == (0.7, 30.0)
    (ring,) = truth["disc"]["rings"]
    assert ring["bars"] == 90
    assert ring["visible_share"] == pytest.approx(0.75, abs=0.005)
    assert ring["false_swing_percent"] == pytest.approx(100 * 0.7 / 75)
    # Straight down every pitch has the size of the first.
    assert ring["pitch_px"] == pytest.approx(2 * np.pi * 75 / 90 * CAMERA.focal_px / 420, rel=1e-3)
    assert truth["camera"]["elevation_deg"] == 90.0


def test_the_same_state_gives_the_same_frames() -> None:
    scene = a_scene(camera=replace(CAMERA, noise=2.0), seconds=0.1)
    for one, other in zip(drawn(scene), drawn(scene), strict=True):
        np.testing.assert_array_equal(one.luma, other.luma)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: PrintedRing(90, 80.0, 70.0), "outer_mm = 70.0: not beyond inner_mm 80"),
        (lambda: PrintedRing(2, 70.0, 80.0), "bars = 2: a ring needs at least three"),
        (lambda: PaperDisc(()), "a disc needs a ring of bars"),
        (lambda: PaperDisc((RING,), 150.0), "diameter_mm = 150.0: the rings leave the paper"),
        (lambda: PaperDisc((RING,), offset_mm=-1.0), "offset_mm = -1.0: must not be negative"),
        (lambda: OnTop(covered_deg=360.0), "must leave something to see"),
        (lambda: a_scene(elevation_deg=5.0), "elevation_deg = 5.0: must lie between 15 and 90 degrees"),
        (lambda: a_scene(camera=replace(CAMERA, shake_px=1.0)), "shake_px = 1.0: the camera above stands on a tripod"),
    ],
)
def test_impossible_scenes_are_refused(make: Any, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        make()
