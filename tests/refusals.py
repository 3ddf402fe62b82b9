"""Clips that must not be measured, and difficult ones that should be: each a function that writes one.

A clip that must not be measured gives a refusal. Where it does show a platter whose speed is known (a wrong option, a
frozen picture), a reading whose stated uncertainty covers that speed is right as well. Any other reading is a confident
wrong one. ``tests/study_refusals.py`` scores them.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

import made_scenes as made
import numpy as np
from made_scenes import HEIGHT, WIDTH, Plane, write_planes
from scenarios import SCENARIOS

from strobe.render import (
    Camera,
    Coding,
    DotRow,
    Lamp,
    Scene,
    Speed,
    Timing,
    Truth,
    Wobble,
    frames,
    render_clip,
    truth_of,
)

__all__ = ["DIFFICULT", "NOT_TO_MEASURE", "Trial", "Written", "write_trial"]

SECONDS = 6.0
FRAMES = 150
_Rng = np.random.Generator
_Writer = Callable[[Path, np.random.Generator, bool], "Written"]
_Edit = Callable[[np.random.Generator, Sequence[Iterator[Plane]]], Iterator[Plane]]


@dataclass(frozen=True)
class Written:
    """What was written: the platters that a reading may be true of, and what to tell `strobe.measure`."""

    truths: tuple[Truth, ...] = ()
    told: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Trial:
    """One clip of the library.

    Attributes
    ----------
    name : str
    write : callable
        Gets a path and a generator, and whether to write the file or only to say what it would hold.
    suffix : str
        Of the file.
    codes : tuple of str
        Refusals that say rightly what is wrong; empty where any will do.
    """

    name: str
    write: _Writer
    suffix: str = ".mp4"
    codes: tuple[str, ...] = ()


def write_trial(trial: Trial, folder: Path, *, seed: int) -> tuple[Path, Written]:
    """Write a clip, unless it is there already, and say what it holds; it depends on the seed and its name alone."""
    path = folder / f"{trial.name}-{seed}{trial.suffix}"
    rng = np.random.default_rng([seed, zlib.crc32(trial.name.encode())])
    return path, trial.write(path, rng, not path.exists())


# Clips drawn with numpy


def _drawn(draw: Callable[[_Rng], Iterator[Plane]], **told: Any) -> _Writer:
    def write(path: Path, rng: _Rng, make: bool) -> Written:
        if make:
            write_planes(path, draw(rng))
        return Written(told=told)

    return write


def _even(level: float, noise: float) -> _Writer:
    return _drawn(lambda rng: made.still(rng, np.full((HEIGHT, WIDTH), level), FRAMES, noise=noise))


def _wheel(spokes: int, turns_per_s: float) -> _Writer:
    return _drawn(lambda rng: made.spokes(rng, spokes, turns_per_s, FRAMES, made.room(rng)))


def _pan(draw: Callable[[_Rng], Plane], px_a_frame: float, *, band: bool = False, sway_px: float = 0.0) -> _Writer:
    """Something that passes, over the whole picture or in a band of it before a room; or that sways to and fro."""

    def planes(rng: _Rng) -> Iterator[Plane]:
        wide = draw(rng)

        def shift(number: int) -> float:
            return 300 + px_a_frame * number + sway_px * float(np.sin(2 * np.pi * 0.7 * number / 30))

        before, window = (made.room(rng), (140, 240)) if band else (None, (0, HEIGHT))
        return made.panned(rng, wide, shift, FRAMES, before=before, window=window)

    return _drawn(planes)


# Clips rendered


def scene(**parts: Any) -> Scene:
    """A platter at 33 1/3 rpm, 180 dots, in a small clip that is easily measured; with some parts changed."""
    speed = Speed(100 / 3, 0.41, (Wobble(0.08, per_revolution=1.0), Wobble(0.05, frequency_hz=4.3, phase_rad=1.0)))
    camera = Camera(
        width=WIDTH, height=HEIGHT, exposure_s=0.0011, clock_error_ppm=12.0, distance_mm=230.0, hfov_deg=48.0
    )
    usual: dict[str, Any] = {
        "rows": (DotRow(180),),
        "speed": speed,
        "lamp": Lamp("sine", 100.03, modulation=0.15),
        "camera": camera,
        "coding": Coding(bit_rate=2_500_000),
        "seconds": SECONDS,
    }
    filmed = {name[7:]: parts.pop(name) for name in [*parts] if name.startswith("camera_")}
    law = {name[6:]: parts.pop(name) for name in [*parts] if name.startswith("speed_")}
    whole = usual | parts
    whole |= {"camera": replace(whole["camera"], **filmed), "speed": replace(whole["speed"], **law)}
    return Scene(**whole)


STOPPED: dict[str, Any] = {"speed": Speed(100 / 3, -100.0)}
PULSES = Lamp("pulse", 100.03, 0.08, ambient=0.02)


def _rendered(drawn: Scene, *, true: bool = True, **told: Any) -> _Writer:
    def write(path: Path, rng: _Rng, make: bool) -> Written:
        if make:
            render_clip(drawn, path, rng=rng)
        return Written((truth_of(drawn),) if true else (), told)

    return write


def _edited(
    scenes: tuple[Scene, ...],
    edit: _Edit,
    *,
    stamps_s: Callable[[int], float] | None = None,
    true: bool = True,
    **told: Any,
) -> _Writer:
    """Rendered pictures put together anew."""

    def write(path: Path, rng: _Rng, make: bool) -> Written:
        if make:
            sources = [(frame.luma for frame in frames(one, rng=rng)) for one in scenes]
            write_planes(path, edit(rng, sources), stamps_s=stamps_s)
        return Written(tuple(truth_of(one) for one in scenes) if true else (), told)

    return write


def _as_it_is(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
    return sources[0]


def _joined(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
    return chain.from_iterable(sources)


def _frozen(first: int, lasts: int, *, goes_on: bool = True) -> _Edit:
    """The picture stands for some frames; the ones meanwhile are lost, or come late."""

    def edit(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
        kept: Plane | None = None
        for number, plane in enumerate(sources[0]):
            if number == first:
                kept = plane
                if not goes_on:
                    yield from (plane for _ in range(lasts))
            yield kept if kept is not None and goes_on and first <= number < first + lasts else plane

    return edit


def _cut_in(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
    """Something else in the middle of the clip."""
    yield from islice(sources[0], 60)
    yield from made.still(rng, made.room(rng), 45)
    yield from sources[0]


def _in_one_picture(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
    """Two clips, one above the other, as one picture of both halves."""
    for above, below in zip(*sources, strict=True):
        quarter = HEIGHT // 4
        yield np.concatenate([above[quarter : 3 * quarter], below[quarter : 3 * quarter]])


def _with_wheel(rng: _Rng, sources: Sequence[Iterator[Plane]]) -> Iterator[Plane]:
    """A toothed band that runs along the top of the picture, at a speed of its own."""
    tooth = made.stripes(23.0)[:70]
    for number, plane in enumerate(sources[0]):
        shift = 7.37 * number + 6 * np.sin(number / 9)
        whole = int(shift)
        part = shift - whole
        band = (1 - part) * tooth[:, whole % 1900 : whole % 1900 + WIDTH]
        band += part * tooth[:, whole % 1900 + 1 : whole % 1900 + 1 + WIDTH]
        yield np.concatenate([made.shown(rng, band), plane[70:]])


def _rocked(path: Path, rng: _Rng, make: bool) -> Written:
    """A platter rocked to and fro by hand, which never makes a turn."""
    if make:
        swing = scene(speed=Speed(12.0, 0.0, (Wobble(99.9, frequency_hz=0.5),)), camera_exposure_s=0.001)
        forth = [frame.luma for frame in frames(swing, rng=rng)][:90]
        write_planes(path, iter((forth + forth[::-1]) * 1))
    return Written()


def _half_copied(path: Path, rng: _Rng, make: bool) -> Written:
    whole = scene()
    if make:
        entire = path.with_name(f"entire-{path.name}")
        render_clip(whole, entire, rng=rng)
        data = entire.read_bytes()
        path.write_bytes(data[: len(data) // 2])
        entire.unlink()
    return Written((truth_of(whole),))


def _shuffled_s(number: int) -> float:
    """Stamps in no order at all."""
    return (number * 7919 % 181) / 30


NO_ROWS = ("no-pattern", "no-contrast", "too-dark", "overexposed", "not-turning")
PASSING = ("no-pattern", "not-turning", "no-contrast", "shaken", "ambiguous", "not-a-rim", "too-short")
SLOW, FAST = scene(speed_deviation_percent=-1.2), scene(speed_deviation_percent=1.3)
OTHER = scene(speed=Speed(45.0, 0.3), rows=(DotRow(133),))
STRIPES_17 = made.stripes(17.0)
PITCH_ROWS = tuple(DotRow(dots, -4.0 - 6 * place) for place, dots in enumerate((170, 174, 180, 186)))
UNTOLD = Timing(playback_rate_hz=30.0, capture_tag=False)
SLOWEST = Speed(50 / 3, 0.2)

NOT_TO_MEASURE: tuple[Trial, ...] = (
    Trial("black", _even(16, 1.0), codes=("too-dark",)),
    Trial("white", _even(235, 1.0), codes=("overexposed",)),
    Trial("grey", _even(120, 1.0), codes=NO_ROWS),
    Trial("noise", _even(120, 45.0), codes=NO_ROWS),
    Trial("room", _drawn(lambda rng: made.still(rng, made.room(rng), FRAMES)), codes=NO_ROWS),
    Trial("still-stripes", _drawn(lambda rng: made.still(rng, STRIPES_17[:, :WIDTH], FRAMES)), codes=("not-turning",)),
    Trial(
        "still-stripes-flicker",
        _drawn(lambda rng: made.flicker(rng, STRIPES_17[:, :WIDTH], FRAMES, rate_hz=100.04, depth=0.3)),
        codes=("not-turning",),
    ),
    Trial(
        "flicker-only",
        _drawn(lambda rng: made.flicker(rng, np.full((HEIGHT, WIDTH), 110.0), FRAMES, rate_hz=100.04, depth=0.5)),
        codes=NO_ROWS,
    ),
    Trial(
        "flicker-in-a-room",
        _drawn(lambda rng: made.flicker(rng, made.room(rng), FRAMES, rate_hz=119.9, depth=0.4)),
        codes=NO_ROWS,
    ),
    Trial("texture-passing", _pan(lambda rng: 110 + 30 * made.texture(rng, (HEIGHT, 2048), 4.0), 3.3), codes=PASSING),
    Trial(
        "grain-passing",
        _pan(lambda rng: 110 + 30 * np.tile(made.texture(rng, (1, 2048), 5.0), (HEIGHT, 1)), 5.1, band=True),
        codes=PASSING,
    ),
    Trial("stripes-passing", _pan(lambda rng: made.stripes(19.0), 4.7), codes=PASSING),
    Trial("stripes-passing-in-a-room", _pan(lambda rng: made.stripes(19.0), 4.7, band=True), codes=PASSING),
    Trial("stripes-swaying", _pan(lambda rng: made.stripes(22.0), 0.0, band=True, sway_px=30), codes=PASSING),
    Trial("cloth-swaying", _pan(lambda rng: made.fence(rng, 14.0), 0.0, sway_px=18), codes=PASSING),
    Trial("blinds-passing", _pan(lambda rng: made.fence(rng, 26.0), 6.2), codes=PASSING),
    Trial("fence-passing-in-a-room", _pan(lambda rng: made.fence(rng, 26.0), 6.2, band=True), codes=PASSING),
    Trial("fence-slows-down", _pan(lambda rng: made.fence(rng, 30.0), 2.0, band=True, sway_px=60), codes=PASSING),
    Trial("keyboard-passing", _pan(made.keyboard, 3.9), codes=PASSING),
    Trial("lettering-passing", _pan(made.lettering, 2.7), codes=PASSING),
    Trial("lettering-passing-in-a-room", _pan(made.lettering, 4.1, band=True), codes=PASSING),
    Trial("wheel", _wheel(12, 0.6), codes=PASSING),
    Trial("wheel-of-many-spokes", _wheel(60, 0.55), codes=PASSING),
    Trial("stopped-under-flashes", _rendered(scene(**STOPPED, lamp=PULSES), true=False), codes=("not-turning",)),
    Trial("stopped-in-daylight", _rendered(scene(**STOPPED, lamp=Lamp("steady")), true=False), codes=("not-turning",)),
    Trial(
        "stopped-hand-held",
        _rendered(scene(**STOPPED, camera_shake_px=2.0), true=False),
        codes=("not-turning", "shaken"),
    ),
    Trial(
        "stopped-rows-of-four",
        _rendered(scene(**STOPPED, rows=PITCH_ROWS), true=False),
        codes=("not-turning",),
    ),
    Trial(
        "smeared-by-the-shutter",
        _rendered(scene(lamp=Lamp("steady"), camera_exposure_s=0.01)),
        codes=("no-contrast", "no-pattern"),
    ),
    Trial(
        "smeared-by-a-long-shutter",
        _rendered(scene(lamp=Lamp("sine", 100.03, modulation=0.02), camera_exposure_s=0.03)),
        codes=("no-contrast", "no-pattern"),
    ),
    Trial("out-of-focus", _rendered(scene(camera_blur_px=11.0)), codes=("no-contrast", "no-pattern")),
    Trial("wrong-mains-seen", _rendered(scene(lamp=Lamp("half-sine", 100.03)), mains=60), codes=("ambiguous",)),
    Trial("wrong-mains-daylight", _rendered(scene(lamp=Lamp("steady")), mains=60)),
    Trial("wrong-mains-flashes", _rendered(scene(lamp=PULSES, camera_exposure_s=0.02), mains=60)),
    Trial("wrong-rpm-45-of-33", _rendered(scene(), rpm=45)),
    Trial("wrong-rpm-33-of-45", _rendered(OTHER, rpm=33)),
    Trial("wrong-rpm-78-of-33", _rendered(scene(), rpm=78)),
    Trial("wrong-dots-160", _rendered(scene(), rpm=33, dots=160)),
    Trial("wrong-dots-174", _rendered(scene(), rpm=33, dots=174)),
    Trial("wrong-dots-182", _rendered(scene(), rpm=33, dots=182)),
    Trial("wrong-dots-90", _rendered(scene(lamp=PULSES, camera_exposure_s=0.012), rpm=33, dots=90)),
    Trial("wrong-lamp", _rendered(scene(lamp=Lamp("half-sine", 100.03)), lamp=95.0)),
    Trial("seconds-0.7", _rendered(scene(seconds=0.7)), codes=("too-short",)),
    Trial("seconds-1.6", _rendered(scene(seconds=1.6)), codes=("too-short",)),
    Trial("less-than-a-turn", _rendered(scene(seconds=2.3, speed=SLOWEST)), codes=("too-short", "ambiguous")),
    Trial("a-third-too-fast", _rendered(scene(speed=Speed(100 / 3, 31.0)), rpm=33, dots=180)),
    Trial("a-fifth-too-slow", _rendered(scene(speed=Speed(100 / 3, -21.0)))),
    Trial("half-speed", _rendered(scene(speed=Speed(100 / 3, -48.0)))),
    Trial("twice-as-fast", _rendered(scene(speed=Speed(100 / 3, 97.0)), rpm=33)),
    Trial("frozen-and-late", _edited((scene(),), _frozen(70, 40, goes_on=False))),
    Trial("frozen-and-lost", _edited((scene(),), _frozen(70, 40))),
    Trial("frozen-to-the-end", _edited((scene(),), _frozen(75, 400))),
    Trial("frozen-for-five", _edited((scene(),), _frozen(80, 5, goes_on=False))),
    Trial("room-cut-in", _edited((scene(),), _cut_in)),
    Trial("two-speeds-joined", _edited((scene(seconds=4.0), replace(OTHER, seconds=4.0)), _joined)),
    Trial("slow-and-fast-joined", _edited((replace(SLOW, seconds=4.0), replace(FAST, seconds=4.0)), _joined)),
    Trial("same-joined", _edited((scene(seconds=3.0), scene(seconds=3.0, first_angle_rev=0.3217)), _joined)),
    Trial("two-platters", _edited((scene(), OTHER), _in_one_picture)),
    Trial("two-platters-alike", _edited((SLOW, FAST), _in_one_picture)),
    Trial("second-thing-turning", _edited((scene(),), _with_wheel)),
    Trial("stamps-all-zero", _edited((scene(),), _as_it_is, stamps_s=lambda _: 0.0), codes=("bad-timing", "too-short")),
    Trial("stamps-in-no-order", _edited((scene(),), _as_it_is, stamps_s=_shuffled_s), codes=("bad-timing",)),
    Trial("two-dots-in-view", _rendered(scene(camera_hfov_deg=4.0)), codes=("no-pattern", "no-contrast")),
    Trial("far-away", _rendered(scene(camera_distance_mm=1500.0)), codes=("no-pattern", "no-contrast")),
    Trial("half-copied-mp4", _half_copied),
    Trial("half-copied-mkv", _half_copied, suffix=".mkv"),
    Trial("rocked-by-hand", _rocked),
    Trial(
        "slow-motion-untold",
        _rendered(scene(camera_frame_rate_hz=120.0, timing=UNTOLD, seconds=3.0)),
    ),
)


# Difficult clips


def _scenario(name: str) -> _Writer:
    def write(path: Path, rng: _Rng, make: bool) -> Written:
        case = SCENARIOS[name](rng)
        drawn = case.scene if name in AS_DRAWN else _smaller(case.scene)
        if make:
            render_clip(drawn, path, rng=rng)
        return Written((truth_of(drawn),), case.told)

    return write


def _smaller(whole: Scene) -> Scene:
    """The same picture with fewer pixels, for some seconds."""
    camera = whole.camera
    share = WIDTH / camera.width
    height = round(camera.height * share / 2) * 2
    fewer = replace(camera, width=WIDTH, height=height, blur_px=camera.blur_px * share)
    return replace(whole, camera=fewer, seconds=min(8.0, whole.seconds))


AS_DRAWN = ("pitch-5-12px", "mains-rows", "pitch-rows", "hand-held-2", "low-light", "slow-with-ends", "patch-of-4")
HARD = (
    *("lamp-pulse", "lamp-half-sine", "lamp-neon", "lamp-fluorescent", "lamp-filament", "lamp-steady", "lamp-dimmed"),
    *("coloured-light", "patch-of-4", "hand-held-0.5", "hand-held-2", "mains-rows", "pitch-rows", "geometry"),
    *("pitch-5-12px", "pitch-45-100px", "runout", "hand-in-picture", "refocus", "exposure-step", "run-up"),
    *("low-light", "saturated", "rate-changes", "frames-dropped", "frames-doubled", "stamps-jump", "stamps-rounded"),
    *("webcam-avi", "rate-120-240", "slow-tagged", "slow-told", "portrait", "portrait-other-way", "upside-down"),
    *("mirrored", "hevc-10-bit", "only-rpm-told", "nothing-told", "lamp-switched", "zoom", "lines-coincide"),
)
SUFFIXES = {"webcam-avi": ".avi"}
DIFFICULT: tuple[Trial, ...] = tuple(
    Trial(f"hard-{name}", _scenario(name), SUFFIXES.get(name, ".mp4")) for name in HARD
)
