"""How people film badly: for each scenario a function that draws a random scene, and what a user would tell of it.

All randomness comes from the generator handed in; everything not special to a scenario is drawn as
`strobe.render.random_scene` does.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from strobe.render import (
    Camera,
    Coding,
    Delivery,
    DotRow,
    ExposureStep,
    Fall,
    Hand,
    Lamp,
    Light,
    Mark,
    Passing,
    Processing,
    Refocus,
    Runout,
    RunUp,
    Scene,
    SpeedStep,
    Stabiliser,
    Surface,
    Timing,
    Wobble,
    Zoom,
    random_scene,
)

__all__ = ["SCENARIOS", "Case", "Scenario"]

WIDTH, HEIGHT = 960, 540
FRAME_RATES_HZ = (24000 / 1001, 24.0, 25.0, 30000 / 1001, 30.0, 50.0, 60.0)
WEAKEST_LINE = 0.25
_MANY_TRIES = 500
RED, AMBER, BLUE = (1.0, 0.04, 0.01), (1.0, 0.45, 0.02), (0.03, 0.12, 1.0)


@dataclass(frozen=True)
class Case:
    """A scene, what `strobe.measure` is told about it, and the suffix of its file."""

    scene: Scene
    told: dict[str, Any]
    suffix: str = ".mp4"


Scenario = Callable[[np.random.Generator], Case]


# What is told


def _mains_hz(scene: Scene) -> int:
    nearest = min((50, 100, 60, 120), key=lambda rate: abs(rate / scene.lamp.flash_rate_hz - 1))
    return nearest if nearest < 100 else nearest // 2


def _known(scene: Scene, **more: Any) -> dict[str, Any]:
    return {"rpm": scene.speed.nominal_rpm, "dots": scene.rows[0].dots, "mains": _mains_hz(scene), **more}


def _case(scene: Scene, **more: Any) -> Case:
    return Case(scene, _known(scene, **more))


# Scenes


def _tripod(rng: np.random.Generator, **fixed: Any) -> Scene:
    kept = {"seconds": 10.0, "width": WIDTH, "height": HEIGHT, "awkward_time": False} | fixed
    return random_scene(rng, **kept)


def _filmed(scene: Scene, **camera: Any) -> Scene:
    return replace(scene, camera=replace(scene.camera, **camera))


def _under(rng: np.random.Generator, lamp: Lamp, scene: Scene, *, frame_rate_hz: float | None = None) -> Scene:
    """The scene under another lamp, with a frame rate and a shutter drawn afresh so that something is left to see."""
    rate = float(rng.choice(FRAME_RATES_HZ)) if frame_rate_hz is None else frame_rate_hz
    lit, row = replace(scene, lamp=lamp), scene.rows[0]
    # A shutter shorter than from flash to flash would leave frames dark.
    whole_flash = 1.02 * (1 + lamp.duty) / lamp.flash_rate_hz if lamp.kind == "pulse" else 0.0
    shortest = whole_flash if 0 < whole_flash < 0.9 / rate else 0.5e-3
    for tries in itertools.count():
        if tries == _MANY_TRIES:
            # Slow flashes that last long, and dots that pass in one of them.
            shortest = 0.5e-3
        exposure = math.exp(rng.uniform(math.log(shortest), math.log(0.96 / rate)))
        readout = rng.uniform(0.35, 0.95) * min(1 / rate, 0.03)
        made = _filmed(lit, frame_rate_hz=rate, exposure_s=exposure, readout_s=readout)
        if max(made.line_strength(row, order) for order in range(-4, 2)) > WEAKEST_LINE:
            return made
    raise AssertionError("it ends only with a return")


def _mains_rate(rng: np.random.Generator, scene: Scene) -> float:
    """Two flashes a cycle of the mains of the scene, off by about 0.05 %."""
    return 2 * _mains_hz(scene) * (1 + float(np.clip(rng.normal(0, 5e-4), -1.2e-3, 1.2e-3)))


def _lamp(kind: str) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        scene = _tripod(rng)
        rate, phase, ambient = _mains_rate(rng, scene), rng.random(), rng.uniform(0, 0.15)
        lamps = {
            "pulse": Lamp("pulse", rate, rng.uniform(0.05, 0.2), ambient=ambient, phase_cycles=phase),
            "half-sine": Lamp("half-sine", rate, ambient=ambient, phase_cycles=phase),
            "neon": Lamp("half-wave", rate / 2, ambient=ambient, phase_cycles=phase),
            "fluorescent": Lamp(
                "fluorescent",
                rate,
                ambient=ambient,
                phase_cycles=phase,
                glow=rng.uniform(0.3, 0.7),
                odd_even=rng.uniform(0, 0.05),
            ),
            "filament": Lamp("sine", rate, modulation=rng.uniform(0.05, 0.15), ambient=ambient, phase_cycles=phase),
            "steady": Lamp("steady", rate, ambient=0.0),
            "dimmed": Lamp(
                "pulse",
                math.exp(rng.uniform(math.log(200), math.log(2000))),
                rng.uniform(0.2, 0.8),
                ambient=ambient,
                phase_cycles=phase,
            ),
        }
        made = _under(rng, lamps[kind], scene)
        return Case(made, _known(scene))

    return draw


def _coinciding(rng: np.random.Generator) -> Case:
    mains, rate = ((60, 24.0), (60, 30.0), (60, 60.0), (50, 25.0), (50, 50.0))[int(rng.integers(5))]
    kind = str(rng.choice(["half-sine", "sine", "fluorescent", "pulse"]))
    scene = _tripod(rng, mains_hz=mains)
    # Not typed: a kind that was drawn.
    lamp = Lamp(kind, _mains_rate(rng, scene), modulation=0.2, phase_cycles=rng.random())  # type: ignore[arg-type]  # drawn
    return _case(_under(rng, lamp, scene, frame_rate_hz=rate))


def _two_lamps(rng: np.random.Generator) -> Case:
    scene = _tripod(rng)
    exact = Lamp("pulse", 2.0 * _mains_hz(scene), rng.uniform(0.05, 0.15), phase_cycles=rng.random())
    room = Lamp(
        str(rng.choice(["fluorescent", "half-sine", "sine"])),  # type: ignore[arg-type]  # a kind that was drawn
        _mains_rate(rng, scene),
        phase_cycles=rng.random(),
    )
    return _case(replace(_under(rng, exact, scene), more_lights=(Light(room, rng.uniform(0.3, 1.0)),)))


def _lamp_switched(rng: np.random.Generator) -> Case:
    scene = _tripod(rng, lamp_kind=str(rng.choice(["pulse", "half-sine"])))
    at_s = rng.uniform(3.5, 6.5)
    other = Lamp(
        str(rng.choice(["sine", "steady", "half-sine"])),  # type: ignore[arg-type]  # a kind that was drawn
        _mains_rate(rng, scene),
        phase_cycles=rng.random(),
    )
    later = Light(other, rng.uniform(0.6, 1.2), Fall(on_s=at_s))
    return _case(replace(_filmed(scene, exposure_s=0.004), fall=Fall(off_s=at_s), more_lights=(later,)))


def _coloured(rng: np.random.Generator) -> Case:
    scene = _tripod(rng, lamp_kind=str(rng.choice(["pulse", "half-sine"])))
    colour = (RED, AMBER, BLUE)[int(rng.integers(3))]
    return _case(replace(scene, fall=Fall(colour=colour)))


def _patch(rng: np.random.Generator) -> Case:
    """Four dots lit by the machine's own lamp, the rest in daylight."""
    scene = _tripod(rng, lamp_kind="pulse")
    width = 4 * 2 * math.pi / scene.rows[0].dots
    colour = (RED, AMBER, (1.0, 1.0, 1.0))[int(rng.integers(3))]
    day = Light(Lamp("steady", ambient=0.0), rng.uniform(0.15, 0.6))
    fall = Fall(colour, patch_azimuth_rad=rng.uniform(-0.15, 0.15), patch_width_rad=width)
    return _case(replace(scene, lamp=replace(scene.lamp, ambient=0.0), fall=fall, more_lights=(day,)))


def _in_hand(scene: Scene, px: float) -> Scene:
    sway_px, turn_px, edge_px = (px * share for share in (0.4, math.sqrt(1 - 0.4**2), 0.7))
    camera = scene.camera
    hand = Hand(
        roll_deg=math.degrees(edge_px / (WIDTH / 2)),
        sway_mm=sway_px * camera.distance_mm / camera.focal_px,
    )
    return replace(_filmed(scene, shake_px=turn_px), hand=hand)


def _stabilised(follows_rim: float) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        held_px = rng.uniform(1, 4)
        scene = _in_hand(_tripod(rng), held_px)
        stabiliser = Stabiliser(follows_rim=follows_rim and rng.uniform(0.3, 1.0))
        return _case(replace(scene, processing=Processing(stabiliser)))

    return draw


def _rows(dots: Sequence[int]) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        mains = 50 if 174 in dots else None
        scene = _tripod(rng, mains_hz=mains, nominal_rpm=100 / 3 if mains else float(rng.choice([100 / 3, 45.0])))
        places = (-4.0, -10.0, -16.0, -22.0)
        rows = [
            DotRow(n, z, 3.4, duty=rng.uniform(0.42, 0.58)) for n, z in zip(rng.permutation(dots), places, strict=True)
        ]
        shown = replace(scene, rows=tuple(replace(row, dots=int(row.dots)) for row in rows))
        known = _known(shown)
        del known["dots"]
        return Case(_filmed(shown, aim_z_mm=-9.0, hfov_deg=scene.camera.hfov_deg), known)

    return draw


def _geometry(rng: np.random.Generator, scene: Scene) -> Scene:
    marks = (Mark(rng.uniform(0, 6.28), z_mm=-2.0, height_mm=2.5),)
    surface = Surface(marks, scratches=int(rng.integers(5, 40)), streaks=int(rng.integers(1, 6)))
    scene = _filmed(scene, elevation_deg=rng.uniform(0, 30), roll_deg=rng.uniform(-10, 10))
    return replace(scene, surface=surface)


def _pitch(low_px: float, high_px: float) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        scene = _tripod(rng)
        pitch_mm = 2 * math.pi * scene.radius_mm / scene.rows[0].dots
        focal = scene.camera.distance_mm * math.exp(rng.uniform(math.log(low_px), math.log(high_px))) / pitch_mm
        return _case(_filmed(scene, hfov_deg=2 * math.degrees(math.atan(WIDTH / 2 / focal)), aim_z_mm=0.0))

    return draw


def _runout(rng: np.random.Generator) -> Runout:
    direction = rng.uniform(0, 6.28)
    offset = rng.uniform(0.02, 0.1)
    return Runout(rng.uniform(0.1, 1.0), rng.uniform(0, 6.28), 2 * offset, direction, offset, direction)


def _runs_out(rng: np.random.Generator) -> Case:
    runout = _runout(rng)
    return _case(replace(_tripod(rng), runout=runout))


def _events(draw_events: Callable[[np.random.Generator, Camera], tuple[Any, ...]]) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        scene = _tripod(rng)
        return _case(replace(scene, events=draw_events(rng, scene.camera)))

    return draw


def _run_up(rng: np.random.Generator) -> Case:
    scene = _tripod(rng)
    run_up = RunUp(rng.uniform(0.5, 2.0), rng.uniform(0.3, 0.8), from_share=float(rng.choice([0.0, 0.7])))
    return _case(replace(scene, speed=replace(scene.speed, run_up=run_up, trend_percent_per_minute=0.0), seconds=12.0))


def _mains_drifts(rng: np.random.Generator, scene: Scene) -> Scene:
    """From 5 to 100 parts per million in each second, as a mains does in a bad one."""
    drift = float(rng.choice([-1, 1]) * math.exp(rng.uniform(math.log(5e-6), math.log(1e-4))))
    # So that the mean over the clip is what was drawn.
    first_hz = scene.lamp.flash_rate_hz * (1 - drift * scene.seconds / 2)
    return replace(scene, lamp=replace(scene.lamp, flash_rate_hz=first_hz, rate_drift_per_s=drift))


def _speed_noise(rng: np.random.Generator, scene: Scene) -> Scene:
    """Beside the platter's own waves a rumble of many, fainter as they are faster: some hundredths of a percent."""
    hz = np.sort(np.exp(rng.uniform(math.log(0.3), math.log(0.42 * scene.camera.frame_rate_hz), 80)))
    sizes = rng.rayleigh(size=80) / np.sqrt(hz)
    sizes *= math.exp(rng.uniform(math.log(0.01), math.log(0.08))) / math.sqrt(float(np.sum(sizes**2)) / 2)
    noise = [
        Wobble(float(size), frequency_hz=float(one), phase_rad=float(phase))
        for size, one, phase in zip(sizes, hz, rng.uniform(0, 2 * math.pi, 80), strict=True)
    ]
    return replace(scene, speed=replace(scene.speed, wobbles=(*scene.speed.wobbles, *noise)))


def _speed_step(rng: np.random.Generator, scene: Scene) -> Scene:
    step = SpeedStep(rng.uniform(2.5, 7.5), float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.6)), rng.uniform(0.05, 0.5))
    return replace(scene, speed=replace(scene.speed, steps=(step,)))


def _low_light(rng: np.random.Generator, scene: Scene) -> Scene:
    dim = _filmed(scene, brightness=rng.uniform(0.06, 0.16), noise=rng.uniform(4, 8))
    return replace(dim, processing=Processing(ghost=rng.uniform(0.2, 0.7)))


def _but(change: Callable[[np.random.Generator, Scene], Scene]) -> Scenario:
    """A tripod scene, changed."""
    return lambda rng: _case(change(rng, _tripod(rng)))


def _timed(draw_timing: Callable[[np.random.Generator, Scene], Timing]) -> Scenario:
    return _but(lambda rng, scene: replace(scene, timing=draw_timing(rng, scene)))


def _rate_changes(rng: np.random.Generator, scene: Scene) -> Timing:
    rate = scene.camera.frame_rate_hz
    changed = rate * float(rng.choice([0.5, 0.8, 0.9, 0.97]))
    at_s = rng.uniform(2, 6)
    return Timing(((at_s, changed), (at_s + rng.uniform(1, 3), rate)), interval_jitter_s=float(rng.choice([0.0, 5e-5])))


def _rate_wanders(rng: np.random.Generator, scene: Scene) -> Timing:
    return Timing(interval_wander_s=float(np.exp(rng.uniform(np.log(5e-5), np.log(8e-4)))))


def _dropped(rng: np.random.Generator, scene: Scene) -> Scene:
    rate = scene.camera.frame_rate_hz
    lost = tuple(int(n) for n in np.arange(rng.integers(1, round(rate)), scene.frame_count - 1, round(rate)))
    return _filmed(scene, dropped_frames=lost)


def _doubled(rng: np.random.Generator, scene: Scene) -> Timing:
    return Timing(doubled_frames=tuple(sorted(int(n) for n in rng.choice(np.arange(5, scene.frame_count), 6, False))))


def _stamps_jump(rng: np.random.Generator, scene: Scene) -> Timing:
    first, second = sorted(int(n) for n in rng.choice(np.arange(20, scene.frame_count - 20), 2, False))
    return Timing(stamp_jumps=((first, rng.uniform(0.2, 2.0)), (second, rng.uniform(-1.0, -0.2))))


def _high_rate(rng: np.random.Generator) -> Case:
    rate = float(rng.choice([120.0, 120000 / 1001, 240.0]))
    scene = _tripod(rng, width=640, height=360, seconds=6.0, lamp_kind=str(rng.choice(["half-sine", "sine"])))
    return _case(_under(rng, scene.lamp, scene, frame_rate_hz=rate))


def _webcam(rng: np.random.Generator) -> Case:
    scene = _tripod(rng, frame_rate_hz=30.0, width=640, height=480)
    timing = Timing(interval_jitter_s=rng.uniform(0, 2e-4))
    return Case(replace(scene, coding=Coding("mjpeg", 20_000_000), timing=timing), _known(scene), ".avi")


def _rounded(rng: np.random.Generator, scene: Scene) -> Scene:
    return _filmed(scene, stamp=str(rng.choice(["millisecond", "1/600"])))


def _slow_motion(*, tag: bool, ends_s: float = 0.0, told: bool = False) -> Scenario:
    def draw(rng: np.random.Generator) -> Case:
        kind = str(rng.choice(["half-sine", "sine"]))
        scene = _tripod(rng, width=640, height=360, seconds=5.0, lamp_kind=kind)
        made = _under(rng, scene.lamp, scene, frame_rate_hz=240.0)
        made = replace(made, timing=Timing(playback_rate_hz=30.0, normal_ends_s=ends_s, capture_tag=tag))
        return _case(made, **({"capture_rate_hz": 240.0} if told else {}))

    return draw


def _turned(roll_deg: float, rotation_deg: int) -> Scenario:
    """A phone held so that its picture is turned by `roll_deg`, and what it asks the player for."""

    def draw(rng: np.random.Generator) -> Case:
        scene = _tripod(rng)
        made = _filmed(scene, roll_deg=roll_deg + rng.uniform(-3, 3), aim_x_mm=0.0, aim_z_mm=0.0)
        # Not typed: one of the four.
        return _case(replace(made, delivery=Delivery(rotation_deg=rotation_deg)))  # type: ignore[arg-type]  # of those allowed

    return draw


def _mirrored(rng: np.random.Generator) -> Case:
    return _case(replace(_tripod(rng), processing=Processing(mirrored=True)), mirrored=True)


def _ten_bit(rng: np.random.Generator) -> Case:
    scene = _tripod(rng)
    return _case(replace(scene, coding=Coding("hevc", scene.coding.bit_rate * 2 // 3), delivery=Delivery(bit_depth=10)))


def _only_told(**told: Any) -> Scenario:
    """Nothing is told but this; `mains` may be 'wrong'."""

    def draw(rng: np.random.Generator) -> Case:
        scene = _tripod(rng)
        wrong = {"mains": 110 - _mains_hz(scene)} if told.get("mains") == "wrong" else {}
        known = {name: value for name, value in _known(scene).items() if told.get(name) == "right"}
        return Case(scene, known | wrong)

    return draw


def _hand_in_picture(rng: np.random.Generator, camera: Camera) -> tuple[Any, ...]:
    return (Passing(rng.uniform(2, 7), rng.uniform(0.7, 1.3), rng.uniform(0.3, 1.2), rng.uniform(0.3, 0.7)),)


def _several(rng: np.random.Generator) -> Case:
    """Any usual lamp, and two to four awkward things of other rows at once."""
    case = _lamp(str(rng.choice(["pulse", "half-sine", "neon", "fluorescent", "filament"])))(rng)
    scene = case.scene
    awkward: tuple[Callable[[np.random.Generator, Scene], Scene], ...] = (
        _geometry,
        lambda rng, scene: replace(scene, runout=_runout(rng)),
        _mains_drifts,
        _speed_noise,
        _speed_step,
        _dropped,
        _rounded,
        lambda rng, scene: replace(scene, timing=_rate_wanders(rng, scene)),
        lambda rng, scene: _in_hand(scene, rng.uniform(0.2, 1.5)),
        lambda rng, scene: _filmed(scene, brightness=rng.uniform(0.15, 1.2), noise=rng.uniform(1, 5)),
        lambda _, scene: replace(scene, coding=Coding("hevc", scene.coding.bit_rate // 2)),
    )
    for k in rng.choice(len(awkward), int(rng.integers(2, 5)), replace=False):
        scene = awkward[k](rng, scene)
    return replace(case, scene=scene)


def _minute(rng: np.random.Generator) -> Case:
    """As long as is asked for to find a part, and half of them told nothing of."""
    scene = _tripod(rng, width=640, height=360, seconds=60.0)
    return Case(scene, _known(scene) if rng.random() < 0.5 else {})


SCENARIOS: dict[str, Scenario] = {
    **{
        f"lamp-{kind}": _lamp(kind)
        for kind in ("pulse", "half-sine", "neon", "fluorescent", "filament", "steady", "dimmed")
    },
    "lines-coincide": _coinciding,
    "two-lamps": _two_lamps,
    "lamp-switched": _lamp_switched,
    "coloured-light": _coloured,
    "patch-of-4": _patch,
    "hand-held-0.5": _but(lambda _, scene: _in_hand(scene, 0.5)),
    "hand-held-2": _but(lambda _, scene: _in_hand(scene, 2.0)),
    "hand-held-5": _but(lambda _, scene: _in_hand(scene, 5.0)),
    "stabilised": _stabilised(0.0),
    "stabilised-on-rim": _stabilised(1.0),
    "mains-rows": _rows((180, 216, 133, 160)),
    "pitch-rows": _rows((170, 174, 180, 186)),
    "geometry": _but(_geometry),
    "pitch-5-12px": _pitch(5, 12),
    "pitch-45-100px": _pitch(45, 100),
    "runout": _runs_out,
    "hand-in-picture": _events(_hand_in_picture),
    "zoom": _events(lambda rng, _: (Zoom(rng.uniform(3, 6), rng.uniform(0.4, 1.2), rng.uniform(1.05, 1.5)),)),
    "refocus": _events(lambda rng, _: (Refocus(rng.uniform(3, 6), rng.uniform(0.5, 1.5), rng.uniform(2, 6)),)),
    "exposure-step": _events(
        lambda rng, camera: (
            ExposureStep(rng.uniform(3, 6), camera.exposure_s * rng.uniform(0.4, 0.8), rng.uniform(1, 2)),
        )
    ),
    "run-up": _run_up,
    "mains-drifts": _but(_mains_drifts),
    "speed-noise": _but(_speed_noise),
    "speed-step": _but(_speed_step),
    "low-light": _but(_low_light),
    "saturated": lambda rng: _case(_filmed(_tripod(rng), brightness=rng.uniform(1.2, 3.0))),
    "rate-changes": _timed(_rate_changes),
    "rate-wanders": _timed(_rate_wanders),
    "frames-dropped": _but(_dropped),
    "frames-doubled": _timed(_doubled),
    "stamps-jump": _timed(_stamps_jump),
    "stamps-rounded": _but(_rounded),
    "webcam-avi": _webcam,
    "rate-120-240": _high_rate,
    "slow-tagged": _slow_motion(tag=True),
    "slow-told": _slow_motion(tag=False, told=True),
    "slow-stripped": _slow_motion(tag=False),
    "slow-with-ends": _slow_motion(tag=True, ends_s=0.8),
    "portrait": _turned(-90, 90),
    "portrait-other-way": _turned(90, 270),
    "upside-down": _turned(180, 180),
    "row-up-the-picture": _turned(-90, 0),
    "mirrored": _mirrored,
    "hevc-10-bit": _ten_bit,
    "only-rpm-told": _only_told(rpm="right"),
    "nothing-told": _only_told(),
    "several-at-once": _several,
    "a-minute-long": _minute,
    "wrong-mains-told": _only_told(rpm="right", mains="wrong"),
}
