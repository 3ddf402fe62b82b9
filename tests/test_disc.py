"""Reading a printed disc from above: against closed forms, drawn frames, and whole clips whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from study_disc import outcomes, summary
from test_printing import darkness

import strobe
from strobe.capture import Frame, open_clip
from strobe.errors import Refused, UsageError
from strobe.measuring import Told, measure_reading
from strobe.measuring.clock import CameraClock
from strobe.measuring.disc import DiscWork, begin_disc, off_centre_left_percent, settle, weigh_rings
from strobe.measuring.evidence import RowEvidence
from strobe.measuring.hypotheses import Hypothesis
from strobe.measuring.lamps import Lamp as LampAsRead
from strobe.measuring.reading import read_clip
from strobe.pattern import DiscFacts, PatternReading, RowSeries, read_pattern
from strobe.pattern.disc import FoundDisc, RingPlaces, find_disc, runs_all_ways
from strobe.phase import fit_time_base
from strobe.phase.falselines import without_lines
from strobe.phase.mark import follow_mark
from strobe.phase.ring import even_ring, find_turning, signature_of
from strobe.printing import print_disc
from strobe.render import Camera, DotRow, Lamp, Scene, Speed, Wobble, frames
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
)

Floats = NDArray[Any]

THIRD = 100 / 3
RINGS = (PrintedRing(180, 74.0, 84.0), PrintedRing(133, 60.0, 70.0))
DISC = PaperDisc(RINGS, 190.0, index=IndexBlock(88.5, 92.5), offset_mm=0.6, offset_deg=70.0)
CAMERA = Camera(
    width=720, height=404, distance_mm=420.0, hfov_deg=46.0, exposure_s=0.002, readout_s=0.018, frame_rate_hz=30.0
)
STEADY = Lamp("steady", ambient=0.0)
SPEED = Speed(THIRD, 0.3, (Wobble(0.08, per_revolution=1.0), Wobble(0.06, frequency_hz=4.8)))

# Targets of the reading from above; the paper's edge, found to a fifth of a pixel, sets the scale.
DEVIATION_PERCENT = 0.005
WEIGHTED_RMS_POINTS, WEIGHTED_RMS_SHARE = 0.02, 0.08
ECCENTRICITY_MM = 0.05
DIRECTION_DEG = 3.0


def a_scene(**changes: Any) -> DiscScene:
    basis = DiscScene(DISC, SPEED, STEADY, CAMERA, seconds=4.6, elevation_deg=55.0, first_angle_rev=0.2)
    return replace(basis, **changes)


def drawn(scene: DiscScene, frames: int) -> list[Floats]:
    short = replace(scene, seconds=frames / scene.camera.frame_rate_hz)
    return [frame.luma for frame in disc_frames(short, rng=np.random.default_rng(3))]


def found(scene: DiscScene) -> FoundDisc:
    disc = find_disc(drawn(scene, 4))
    assert disc is not None
    return disc


@pytest.mark.parametrize("elevation", [90.0, 55.0, 32.0])
def test_a_disc_is_found_and_its_bars_are_counted(elevation: float) -> None:
    scene = a_scene(elevation_deg=elevation)
    disc = found(scene)
    assert {ring.bars for ring in disc.rings} == {180, 133}
    assert disc.elevation_deg == pytest.approx(elevation, abs=2.5)
    by_bars = {ring.bars: ring for ring in disc.rings}
    # Half a pixel is 0.3 mm; an edge is found on dozens of places.
    assert by_bars[180].middle / by_bars[133].middle == pytest.approx(79 / 65, rel=0.01)
    x, y = project_disc(scene, 79.0, np.radians([0.0, 90.0, 200.0]))
    radius, azimuth = disc.polar(x, y)
    # The disc is off centre and the shutter rolls: both move the bars' middle by less than 1.5 mm.
    assert radius / by_bars[180].middle == pytest.approx(np.ones(3), abs=0.02)
    assert np.degrees(azimuth) % 360 == pytest.approx([0.0, 90.0, 200.0], abs=2.0)


def test_places_and_polar_are_inverse() -> None:
    nowhere = np.zeros(2)
    tilted = np.array([[210.0, -12.0], [8.0, 150.0]])
    disc = FoundDisc(np.array([400.0, 220.0]), tilted, np.array([0.02, 0.15]), nowhere, nowhere, ())
    radius, azimuth = np.meshgrid([0.3, 0.9, 1.2], np.linspace(-3, 3, 7))
    back = disc.polar(*disc.places(radius, azimuth))
    np.testing.assert_allclose(back[0], radius, rtol=1e-9)
    np.testing.assert_allclose(back[1], azimuth, atol=1e-9)


@pytest.mark.parametrize(
    "changes",
    [
        {"on_top": OnTop(covered_deg=120.0, covered_at_deg=150.0)},
        {"on_top": OnTop(tonearm=True, label_mm=80.0)},
        {"aim_y_mm": -75.0, "camera": replace(CAMERA, distance_mm=230.0)},
    ],
)
def test_bars_are_counted_though_a_part_is_hidden(changes: dict[str, Any]) -> None:
    scene = a_scene(**changes)
    disc = found(scene)
    assert {round(ring.bars_seen) for ring in disc.rings} == {180, 133}
    shares = {ring["bars"]: ring["visible_share"] for ring in disc_truth(scene)["disc"]["rings"]}
    for ring in disc.rings:
        assert ring.seen_share == pytest.approx(shares[round(ring.bars_seen)], abs=0.06)
        assert ring.bars in (None, round(ring.bars_seen))


@pytest.mark.parametrize("kind", ["stripes", "noise", "spokes to nowhere", "blank"])
def test_what_is_no_disc_is_not_found(kind: str) -> None:
    rng = np.random.default_rng(2)
    x, y = np.meshgrid(np.arange(480.0), np.arange(320.0))
    pattern = {"stripes": np.sin(x / 1.5), "spokes to nowhere": np.sin(x / (1.3 + y / 2000))}.get(kind, 0 * x)
    noise = 0.0 if kind == "blank" else 5.0
    planes = [(110 + 50 * pattern + rng.normal(0, noise, x.shape)).clip(0, 255).astype(np.uint8) for _ in range(4)]
    assert find_disc(planes) is None
    assert not runs_all_ways(planes[:2])


# The closed forms that the ring's arithmetic is held against.


def ring_blocks(
    *,
    share: float = 1.0,
    off: complex = 0.01 * np.exp(0.7j),
    swing: float = 0.0,
    readout_s: float = 0.0,
    noise: float = 0.0,
) -> dict[str, Any]:
    """Parts of a ring of 160 bars through eight seconds: off centre, with wobble, and a lamp that swings the phase."""
    time = np.arange(240) / 30
    wobble_rev = 2e-4 * np.sin(2 * np.pi * 4.2 * time)
    turns = 0.5571 * time + wobble_rev
    whole = np.arange(40) * 2 * np.pi / 40
    azimuth = whole[: round(40 * share)]
    sweep = 0.5 + 0.4 * np.cos(azimuth)
    lamp = 100.02 * time
    moved = turns[:, None] + 0.5571 * readout_s * (sweep - sweep.mean())
    own = 160 * abs(off) * np.sin(azimuth + 2 * np.pi * moved - np.angle(off))
    mixed = swing * np.sin(2 * np.pi * (lamp[:, None] + 1.8 * sweep))
    phase = 2 * np.pi * 160 * turns[:, None] + own + mixed + np.arange(azimuth.size)
    rng = np.random.default_rng(4)
    blur = rng.normal(0, 1, (2, *phase.shape)) * noise
    blocks = np.exp(1j * phase) + blur[0] + 1j * blur[1]
    return {
        "time": time,
        "turns": turns,
        "blocks": blocks.astype(np.complex64),
        "azimuth": azimuth,
        "sweep": sweep,
        "lamp": lamp,
    }


def evened(made: dict[str, Any], share: float = 1.0, **options: Any) -> Any:
    turns = options.pop("turns", made["turns"])
    return even_ring(
        made["blocks"],
        made["azimuth"],
        made["sweep"],
        turns,
        turns_per_s=0.5571,
        bars=160,
        # The parts here are points, not means over a piece of the ring.
        blocks_round=100_000,
        seen_share=share,
        **options,
    )


def left_over_rad(made: dict[str, Any], even: Any) -> float:
    """Rms of the phase of the whole ring beyond the platter's own angle."""
    total = even.blocks.sum(axis=1) * np.exp(-2j * np.pi * 160 * made["turns"])
    return float(np.std(np.unwrap(np.angle(total))))


def test_off_centre_is_told_exactly_and_taken_off() -> None:
    made = ring_blocks()
    even = evened(made)
    assert even.error.off_centre == pytest.approx(0.01 * np.exp(0.7j), abs=2e-6)
    assert left_over_rad(made, even) < 1e-4
    assert np.std(np.angle(made["blocks"].sum(axis=1) * np.exp(-2j * np.pi * 160 * made["turns"]))) > 0.1


@pytest.mark.parametrize("share", [1.0, 0.65, 0.4])
def test_its_uncertainty_holds_for_a_part_of_a_ring_too(share: float) -> None:
    made = ring_blocks(share=share, noise=0.05)
    even = evened(made, share)
    assert abs(even.error.off_centre - 0.01 * np.exp(0.7j)) < 2 * even.error.off_centre_uncertainty
    assert even.error.off_centre_uncertainty < 5e-4
    whole = evened(ring_blocks(noise=0.05))
    assert even.left_percent >= whole.left_percent


def test_a_lamp_shows_each_part_at_its_own_time() -> None:
    """Ring and shutter turn on together: left out, that would feign a wobble once a turn."""
    made = ring_blocks(readout_s=0.025)
    assert left_over_rad(made, evened(made)) < 3e-4
    at_once = evened(made | {"sweep": np.full_like(made["sweep"], 0.5)})
    assert left_over_rad(made, at_once) > 3e-3


def test_the_lamp_swing_goes_and_wobble_on_its_beat_stays() -> None:
    made = ring_blocks(swing=0.2, share=0.65)
    calm = evened(made, 0.65, lamp_cycles=made["lamp"], sweep_cycles=1.8)
    assert calm.calm
    assert left_over_rad(made, calm) < 2e-3
    assert left_over_rad(made, evened(made, 0.65)) > 2e-2


def test_a_dimmed_lamp_is_none_of_the_mains_on_a_disc_either() -> None:
    """The harmonics of its deep swing, p to the power of k over k radians, go up to the tenth and not the fourth.

    The sixth, 1.2 thousandths of a dot for p of 0.6, is then left to less than a tenth of that.
    """
    made = ring_blocks(off=0.001)
    time = fit_time_base(made["time"])
    light = 12.3 * made["time"]
    blocks = made["blocks"] / (1 - 0.6 * np.exp(2j * np.pi * light))[:, None]
    places = RingPlaces(made["azimuth"], made["sweep"], 160, 160.0, 1.0, 1.0)
    row = RowSeries(0.5, None, 0.0, 10.0, 10.0, 160.0, 0.5, 40.0, blocks.astype(np.complex64), places)
    lamp = LampAsRead("dimmed", 50.0, None, None, None, None, light)
    amplitude = blocks.sum(axis=1)
    evidence = RowEvidence(row, amplitude, None, 1.0)
    dots = 160 * made["turns"]
    rate_hz = 160 * 0.5571
    supposed: Any = SimpleNamespace(
        dot_rate_hz=rate_hz, coherence=0.9, kind="camera", followed="camera", dots=rate_hz * made["time"]
    )
    way = Hypothesis(evidence, lamp, THIRD, 160, supposed, 0.0, 0.0, (160,))
    nowhere, nothing = np.zeros((1, 1)), cast(PatternReading, None)
    facts = DiscFacts(60.0, None, 0.0, 1.0, nowhere[0], nowhere, np.zeros((time.index.size, 1, 1), np.float32))
    settled = settle(DiscWork((row,), nothing, facts, None, None), way, time)
    left = settled.chosen.line.dots - dots
    sixth = 2 * abs(np.mean((left - left.mean()) * np.exp(-2j * np.pi * 6 * light)))
    assert sixth < 0.1 * 0.6**6 / 6 / (2 * np.pi)


def displaced_ring(
    e: complex, c: complex, *, bars: int = 160, map_bars: float = 160.0, counted: int | None = 160, share: float = 1.0
) -> tuple[RowSeries, Floats, Floats]:
    """A ring e off centre, by its radius, read on a map learned while it lay off by c; times and turns with it.

    About the map's middle a bar lies at the angle of ``1 + (c - e exp(-2 pi i turns)) exp(-i azimuth)``, to all orders.
    """
    time = np.arange(240) / 30
    turns = 0.5571 * time + 2e-4 * np.sin(2 * np.pi * 4.2 * time)
    azimuth = np.arange(44)[: round(44 * share)] * 2 * np.pi / 44
    apart = c - e * np.exp(-2j * np.pi * turns)
    own = np.angle(1 + apart[:, None] * np.exp(-1j * azimuth))
    phase = bars * (2 * np.pi * turns[:, None] + own + azimuth) - map_bars * azimuth
    places = RingPlaces(azimuth, 0.5 + 0.4 * np.cos(azimuth), counted, map_bars, 1.0, share)
    blocks = np.exp(1j * phase).astype(np.complex64)
    return RowSeries(0.5, None, 0.0, 10.0, 10.0, bars * share, 0.5, 40.0, blocks, places), time, turns


def settled(row: RowSeries, times: Floats, *, bars: int, kind: str = "camera") -> Any:
    time = fit_time_base(times)
    rate_hz = bars * 0.5571
    light = 100.02 * times
    blocks = row.blocks if kind == "camera" else row.blocks * np.exp(-2j * np.pi * light)[:, None]
    row = replace(row, blocks=blocks.astype(np.complex64))
    supposed: Any = SimpleNamespace(dot_rate_hz=rate_hz, coherence=0.9, kind=kind, followed=kind, dots=rate_hz * times)
    lamp = LampAsRead("mains", 50.0, None, None, None, None, light)
    evidence = RowEvidence(row, row.blocks.sum(axis=1).astype(complex), None, 1.0)
    way = Hypothesis(evidence, lamp, THIRD, bars, supposed, 0.0, 0.0, (bars,))
    return settle(work_of(row, times.size), way, time)


def work_of(row: RowSeries, frames: int) -> DiscWork:
    nowhere, nothing = np.zeros((1, 1)), cast(PatternReading, None)
    facts = DiscFacts(60.0, None, 0.0, 1.0, nowhere[0], nowhere, np.zeros((frames, 1, 1), np.float32))
    return DiscWork((row,), nothing, facts, None, None)


@pytest.mark.parametrize("share", [1.0, 0.8])
@pytest.mark.parametrize("toward", [0.3, 1.9])
def test_a_map_learned_beside_the_spindle_feigns_no_wobble(toward: float, share: float) -> None:
    """To second order it bends a ring as a delay of the shutter would; taken for one it feigns ``e c / 2``.

    What is left is of third order on a whole ring; of its fifth that is hidden, a fifth of the second order.
    """
    e, c = 0.03, 0.015
    row, times, turns = displaced_ring(e * np.exp(0.7j), c * np.exp(1j * toward), share=share)
    found = settled(row, times, bars=160)
    false = found.chosen.line.dots / 160 - turns
    angle = 2 * np.pi * turns
    columns = [np.ones(turns.size), times] + [wave(m * angle) for m in (1, 2, 3) for wave in (np.cos, np.sin)]
    fit = np.linalg.lstsq(np.stack(columns, axis=1), false, rcond=None)[0]
    once = 2 * np.pi * float(np.hypot(fit[2], fit[3]))
    assert once < (e**2 * c if share == 1.0 else 0.2 * e * c)
    assert 100 * once < off_centre_left_percent(found.chosen, found.even) < 100 * e * c
    assert abs(found.even.error.off_centre) == pytest.approx(e, rel=0.01)


def test_where_the_exposure_is_not_told_a_share_is_left() -> None:
    """A lamp that leaves no flicker tells no delay: 2 % of a ring 3 % off centre may be left, seen whole or not."""
    row, times, _ = displaced_ring(0.03 * np.exp(0.7j), 0.015 + 0j)
    found = settled(row, times, bars=160, kind="lamp")
    assert off_centre_left_percent(found.chosen, found.even) == pytest.approx(0.02 * 3.0, rel=0.05)


@pytest.mark.parametrize(("bars", "map_bars", "counted"), [(133, 133.35, None), (160, 159.0, 159)])
def test_a_ring_far_off_centre_is_counted_over_whole_turns(bars: int, map_bars: float, counted: int | None) -> None:
    """What is hidden takes bars with it, more or fewer by where the ring stood when the map was learned."""
    row, times, _ = displaced_ring(
        0.05 * np.exp(0.7j), 0.03 + 0j, bars=bars, map_bars=map_bars, counted=counted, share=0.86
    )
    nothing: Any = None
    facts = work_of(row, times.size).facts
    reading = PatternReading(
        times, (row,), np.zeros((times.size, 0)), True, nothing, False, "luma", nothing, disc=facts
    )
    work = begin_disc(reading, fit_time_base(times))
    assert work is not None
    assert work.raw[0].ring is not None
    assert work.raw[0].ring.bars == bars
    assert work.raw[0].ring.bars_seen == pytest.approx(bars, abs=0.05)


def test_a_ring_far_off_centre_that_is_not_counted_is_refused() -> None:
    row, times, _ = displaced_ring(0.03 * np.exp(0.7j), 0.015 + 0j, map_bars=159.8, counted=None, share=0.8)
    with pytest.raises(Refused, match=r"off centre by 3\.0 %.*\(159\.8 by what is seen\)") as refused:
        settled(row, times, bars=160)
    assert refused.value.code == "ambiguous"
    near, times, _ = displaced_ring(0.01 * np.exp(0.7j), 0.005 + 0j, map_bars=159.8, counted=None, share=0.8)
    assert settled(near, times, bars=160).chosen.dots == 160


def test_a_count_that_nothing_bears_out_is_not_taken() -> None:
    """No mark, and a ring so well centred that its own error shows no turning: only a count that is told will do."""
    row, times, _ = displaced_ring(1e-5 + 0j, 0j, map_bars=159.8, counted=None, share=0.8)
    time = fit_time_base(times)
    lamp = LampAsRead("mains", 50.0, None, None, None, None, None)
    work = work_of(row, times.size)
    with pytest.raises(Refused, match=r"counted surely \(159\.8 by what is seen\), and nothing else") as refused:
        weigh_rings(work, [row], time, [lamp], rpm=THIRD, dots=None)
    assert refused.value.code == "ambiguous"
    assert all(way.dots == 160 for way in weigh_rings(work, [row], time, [lamp], rpm=THIRD, dots=160))


def test_half_hidden_parts_are_left_out() -> None:
    made = ring_blocks()
    made["blocks"][:, 7] = made["blocks"][:, 7] * np.exp(
        0.3j * np.sin(made["azimuth"][7] + 2 * np.pi * made["turns"])
    ).astype(np.complex64)
    even = evened(made)
    assert even.kept.tolist() == [k for k in range(40) if k != 7]
    assert even.error.off_centre == pytest.approx(0.01 * np.exp(0.7j), abs=1e-5)


def test_turning_is_seen_without_bars_or_speed() -> None:
    made = ring_blocks(noise=0.05, swing=0.2)
    rate = find_turning(made["blocks"], made["azimuth"], made["time"])
    assert rate == pytest.approx(0.5571, rel=3e-3)
    still = ring_blocks(off=0.0, noise=0.05)
    assert find_turning(still["blocks"], still["azimuth"], still["time"]) is None
    assert signature_of(0.5571).best()[0] == pytest.approx(1 / 0.5571, rel=2e-3)


def left_of(cleaned: Any, time: Floats, true: Floats) -> float:
    """Rms of what a cleaned course has beyond the truth and an even run."""
    apart = cleaned.dots - true
    return float(np.std(apart - np.polyval(np.polyfit(time, apart, 1), time)))


def test_lines_go_and_wobble_beside_them_stays() -> None:
    time = np.arange(300) / 30
    wobble = 0.01 * np.sin(2 * np.pi * 10.35 * time)
    swing = 0.004 * np.cos(2 * np.pi * 100.02 * time)
    cleaned = without_lines(100.3 * time + wobble + swing, time, 1 / 30, [100.02 * time, 0.3 * time])
    assert cleaned.removed_hz == pytest.approx((10.02,), abs=1e-6)
    assert cleaned.first_dots == pytest.approx(0.004, rel=0.05)
    assert left_of(cleaned, time, wobble) < 3e-4


def test_waves_too_close_to_be_told_apart_go_together() -> None:
    time = np.arange(600) / 60
    lamp, own = 99.98 * time, 100.04 * time
    false = 0.002 * np.cos(2 * np.pi * lamp) + 0.0015 * np.sin(2 * np.pi * 2 * own + 0.4)
    alone = without_lines(100.3 * time + false, time, 1 / 60, [lamp])
    together = without_lines(100.3 * time + false, time, 1 / 60, [lamp], own_cycles=[own, 2 * own])
    # Half a beat between the two lines can't be fitted with one of them; a size that bends follows most of it.
    assert left_of(alone, time, 0 * time) > 6e-4
    assert left_of(together, time, 0 * time) < 2.5e-4
    # What would come slowly is left in: it can't be told from wobble.
    slow = without_lines(
        60.5 * time + 0.002 * np.sin(2 * np.pi * 60.5 * time), time, 1 / 60, [], own_cycles=[60.5 * time]
    )
    assert slow.removed_hz == ()


def coder_error(frames: int, group: int) -> Floats:
    """What a coder that catches up within its group of pictures adds, in dots."""
    return 0.0025 * np.exp(-(np.arange(frames) % group) / 4.0)


def test_the_coders_lines_go_and_the_platters_on_them_stays() -> None:
    rng = np.random.default_rng(8)
    time = np.arange(600) / 60
    noise = rng.normal(0, 3e-4, time.size)
    wobble = 0.004 * np.sin(2 * np.pi * 6.0 * time) + 0.003 * np.sin(2 * np.pi * 7.7 * time)
    seen = 100.3 * time + wobble + coder_error(time.size, 30) + noise
    cleaned = without_lines(seen, time, 1 / 60, [], coder_hz=2.0)
    assert 4.0 in cleaned.removed_hz
    assert 6.0 not in cleaned.removed_hz
    assert left_of(cleaned, time, wobble) < 1.25 * np.std(noise)
    assert left_of(without_lines(seen, time, 1 / 60, []), time, wobble) > 1.8 * np.std(noise)
    # Without such a coder nothing goes.
    clean = without_lines(100.3 * time + wobble + noise, time, 1 / 60, [], coder_hz=2.0)
    assert clean.removed_hz == ()
    np.testing.assert_array_equal(clean.dots, 100.3 * time + wobble + noise)


def test_a_mark_gives_the_time_of_one_turn() -> None:
    rng = np.random.default_rng(5)
    time = np.arange(300) / 30
    azimuth = (np.arange(180) + 0.5) * 2 * np.pi / 180
    apart = azimuth / (2 * np.pi) - (0.3 - 0.5571 * time[:, None])
    lane = 150 * (1 - 0.8 * np.exp(-0.5 * ((apart - np.rint(apart)) / 0.006) ** 2))
    lane *= 1 + 0.3 * np.sin(2 * np.pi * (10.02 * time[:, None] + np.cos(azimuth)))
    lane += rng.normal(0, 2, lane.shape)
    lanes = np.stack([np.full_like(lane, 90.0), lane], axis=1).astype(np.float32)
    sweep = np.stack([np.cos(azimuth)] * 2)
    mark = follow_mark(lanes, azimuth, sweep, time)
    assert mark is not None
    assert abs(mark.rate_hz - 0.5571) < mark.uncertainty_hz < 2e-4
    assert abs(mark.angle_rev - 0.7) < mark.angle_uncertainty_rev + 1e-3
    assert follow_mark(lanes[:, :1], azimuth, sweep[:1], time) is None


# Whole clips.


def measured(scene: DiscScene, folder: Path, **options: Any) -> tuple[strobe.Measurement, dict[str, Any]]:
    clip = folder / "above.mp4"
    truth = render_disc_clip(scene, clip, rng=np.random.default_rng(6))
    return strobe.measure(clip, view="disc", disc_mm=190.0, **options), truth


def check(measurement: strobe.Measurement, truth: dict[str, Any], scene: DiscScene) -> None:
    speed, disc, rms = measurement.speed, measurement.disc, measurement.fluctuation.weighted_rms_percent
    assert disc is not None
    assert measurement.setup.view == "disc"
    assert speed.deviation_percent == pytest.approx(
        truth["speed"]["deviation_by_file_clock_percent"], abs=DEVIATION_PERCENT
    )
    true = truth["speed"]["weighted_rms_percent"]
    assert rms == pytest.approx(true, abs=max(WEIGHTED_RMS_POINTS, WEIGHTED_RMS_SHARE * true))
    assert disc.eccentricity_mm == pytest.approx(scene.disc.offset_mm, abs=ECCENTRICITY_MM)
    assert disc.eccentricity_uncertainty_mm is not None
    assert disc.eccentricity_uncertainty_mm < ECCENTRICITY_MM


def test_a_clip_from_above(tmp_path: Path) -> None:
    scene = a_scene(lamp=Lamp("sine", 100.02, modulation=0.3))
    measurement, truth = measured(scene, tmp_path)
    check(measurement, truth, scene)
    disc, index = measurement.disc, measurement.index
    assert disc is not None
    assert index is not None
    assert disc.eccentricity_direction_deg == pytest.approx(70.0, abs=DIRECTION_DEG)
    assert {(ring.bars, ring.counted) for ring in disc.rings} == {(180, True), (133, True)}
    assert {ring.bars: ring.radius_mm for ring in disc.rings} == {
        180: pytest.approx(79.0, rel=0.01),
        133: pytest.approx(65.0, rel=0.01),
    }
    assert "dots" not in measurement.setup.assumed
    assert index.agrees
    assert abs(index.deviation_percent - 0.3) < index.uncertainty_percent < 0.03
    # A row in the middle of the picture is taken half a readout and half an exposure late.
    assert index.angle_rev == pytest.approx(0.2 + 0.01 * THIRD / 60, abs=0.002)
    told = measurement.to_dict()
    assert told["index"]["turn_s"] == pytest.approx(60 / THIRD / 1.003, rel=3e-4)
    assert told["disc"]["eccentricity_mm"] == disc.eccentricity_mm
    assert told["setup"]["view"] == "disc"
    codes = {note.code for note in measurement.notes}
    assert "disc-off-centre" in codes
    assert "index-disagrees" not in codes

    reading = read_clip(tmp_path / "above.mp4", view="disc")
    with pytest.raises(Refused, match=r"none of them has 216") as refused:
        measure_reading(reading, Told(CameraClock(), dots=216))
    assert refused.value.code == "ambiguous"
    other = measure_reading(reading, Told(CameraClock(), dots=133))
    assert other.setup.dots == 133
    assert other.speed.deviation_percent == pytest.approx(measurement.speed.deviation_percent, abs=2e-3)
    assert other.disc is not None
    assert other.disc.eccentricity_mm is None
    assert other.disc.eccentricity_percent == pytest.approx(100 * 0.6 / 65, rel=0.03)


def test_flashes_and_a_third_hidden(tmp_path: Path) -> None:
    """Under flashes every part of the ring is seen at its own time; the hidden third is said."""
    scene = a_scene(
        disc=replace(DISC, offset_mm=1.0, offset_deg=200.0),
        lamp=Lamp("pulse", 99.97, duty=0.1, ambient=0.05),
        camera=replace(CAMERA, exposure_s=1 / 60),
        on_top=OnTop(covered_deg=115.0, covered_at_deg=160.0),
        elevation_deg=48.0,
    )
    measurement, truth = measured(scene, tmp_path, rpm=33)
    check(measurement, truth, scene)
    assert measurement.timing.line == "lamp"
    (note,) = (note for note in measurement.notes if note.code == "ring-partly-seen")
    assert "does not average" in note.message


@pytest.mark.parametrize(
    ("lamp", "exposure_s"),
    [(STEADY, 0.002), (Lamp("pulse", 99.97, duty=0.1, ambient=0.05), 1 / 60)],
    ids=["shutter", "flashes"],
)
def test_a_slow_shutter_under_a_record_on_the_mat(lamp: Lamp, exposure_s: float, tmp_path: Path) -> None:
    """A sweep of nearly a whole frame: wobble of 8.3 Hz reaches near and far side an eighth of a wave apart."""
    scene = a_scene(
        disc=replace(DISC, rings=RINGS[:1], offset_mm=0.4),
        speed=Speed(THIRD, 0.3, (Wobble(0.08, per_revolution=1.0), Wobble(0.1, frequency_hz=8.3))),
        lamp=lamp,
        camera=replace(CAMERA, exposure_s=exposure_s, readout_s=0.031),
        on_top=OnTop(record_mm=140.0, label_mm=80.0),
    )
    measurement, truth = measured(scene, tmp_path, rpm=33)
    check(measurement, truth, scene)
    (quick,) = (one for one in measurement.components if abs(one.frequency_hz - 8.3) < 0.1)
    assert quick.peak_percent == pytest.approx(0.1, abs=min(quick.uncertainty_percent, 0.008))


def test_a_printed_page_photographed_and_measured(tmp_path: Path) -> None:
    """Print, rasterise, film and measure: the loop closes."""
    plan = print_disc(tmp_path / "disc.pdf", bars=[180, 133], rpms=[])
    dark = darkness(plan.files[0], 1)
    px_per_mm = 300 / 25.4
    page = PagePicture(dark, px_per_mm, (dark.shape[1] / 2, (10.0 + plan.diameter_mm / 2) * px_per_mm))
    rings = tuple(PrintedRing(ring.bars, ring.inner_mm, ring.outer_mm) for ring in plan.rings)
    disc = PaperDisc(rings, plan.diameter_mm, offset_mm=0.8, offset_deg=120.0, page=page)
    scene = a_scene(disc=disc, seconds=4.5)
    clip = tmp_path / "page.mp4"
    truth = render_disc_clip(scene, clip, rng=np.random.default_rng(7))
    measurement = strobe.measure(clip, view="disc", disc_mm=plan.diameter_mm)
    check(measurement, truth, scene)
    assert measurement.disc is not None
    assert {(ring.bars, ring.counted) for ring in measurement.disc.rings} == {(180, True), (133, True)}
    assert measurement.disc.eccentricity_direction_deg == pytest.approx(120.0, abs=DIRECTION_DEG)
    assert measurement.index is not None
    assert measurement.index.agrees


def reading_of(scene: DiscScene, **options: Any) -> PatternReading:
    planes = drawn(scene, 30)
    return read_pattern((Frame(k, k / 30, plane, None, None) for k, plane in enumerate(planes)), **options)


def test_the_view_is_as_it_is_asked_for() -> None:
    scene = a_scene()
    seen = reading_of(scene, view="disc")
    assert seen.disc is not None
    assert all(row.ring is not None for row in seen.rows)
    some = seen.only(np.arange(0, 30, 2))
    assert some.disc is not None
    assert some.disc.lanes.shape[0] == some.rows[0].blocks.shape[0] == 15
    assert reading_of(scene, view="rim").disc is None


@pytest.mark.parametrize(
    "changes",
    [{}, {"elevation_deg": 90.0}, {"elevation_deg": 31.0}, {"on_top": OnTop(tonearm=True, covered_deg=110.0)}],
)
def test_a_disc_seen_most_of_the_way_round_is_found_by_itself(changes: dict[str, Any]) -> None:
    seen = reading_of(a_scene(**changes))
    assert seen.disc is not None
    assert all(row.ring is not None for row in seen.rows)


def first_frames(scene: Scene) -> list[Frame]:
    made = frames(replace(scene, seconds=24.5 / scene.camera.frame_rate_hz), rng=np.random.default_rng(4))
    return [Frame(one.index, one.start_s, one.luma, None, None) for one in made]


@pytest.mark.parametrize("elevation", [5.0, 30.0, 42.0])
@pytest.mark.parametrize("rows", [(180,), (170, 174, 180, 186)])
def test_a_rim_is_no_disc_however_its_rows_are_curved(elevation: float, rows: tuple[int, ...]) -> None:
    """From 42 degrees above a row falls by a quarter of the picture's height towards its ends."""
    printed = tuple(DotRow(dots, z_mm=-4.0 - 5.0 * place) for place, dots in enumerate(rows))
    camera = replace(CAMERA, elevation_deg=elevation, distance_mm=420.0)
    reading = read_pattern(first_frames(Scene(rows=printed, speed=SPEED, lamp=STEADY, camera=camera, seconds=1.0)))
    assert reading.disc is None
    assert reading.rows
    assert all(row.ring is None for row in reading.rows)


def test_the_sample_rims_are_no_discs() -> None:
    """Of the clips that show the same platter as found and repaired one is taken."""
    clips = {clip.name[:2]: clip for clip in sorted((Path(__file__).parent.parent / "sample_clips").glob("0?-*.mp4"))}
    assert len(clips) >= 7
    for clip in clips.values():
        with open_clip(clip) as opened:
            some = [frame.luma for frame in islice(opened, 24)]
        assert not runs_all_ways([some[0], some[-1]])
        assert find_disc(some[::4]) is None


def test_a_wrong_view_or_size_is_an_error() -> None:
    with pytest.raises(UsageError, match="view is 'top'; it is rim"):
        strobe.measure("clip.mp4", view="top")
    with pytest.raises(UsageError, match=r"disc diameter is 3 mm; it lies between 30 and 1000"):
        strobe.measure("clip.mp4", disc_mm=3.0)


@pytest.mark.slow
def test_random_discs_hold_the_targets() -> None:
    results = list(outcomes(8, 41))
    assert all(one.measured is not None for one in results), [one.refusal for one in results]
    found = summary(results)
    for name in ("deviation within 0.005 %", "weighted rms within target", "eccentricity within 0.05 mm"):
        assert found[f"{name}, share"] == 1.0
    # Of some fifty intervals at 95 % more than six outside have a probability below 2 %.
    assert found["coverage, all"] > 0.87
