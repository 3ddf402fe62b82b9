"""A blind study: faulty drives from physical models, read as clips would be, and the suspect named for each.

Run with ``python tests/study_drive.py --machines 80 --seed 1``. The machines are drawn at random; a fault counts once
it doubles the weighted fluctuation of the same machine without it. Descriptions carry the errors of a folding rule and
callipers, and leave things out.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from simulated_drives import BeltDrive, DirectDrive, IdlerDrive, Rub, filmed

from strobe.drive.diagnosis import Diagnosis, diagnose
from strobe.drive.features import Reading
from strobe.drive.machine import Machine, parse_machine
from strobe.figures import evaluate

LEAST_RISE = 2.0
LEAST_RISE_OF_TWO = 1.7
LEAST_WEIGHTED_RMS_PERCENT = 0.03
STRONGER = 1.5
MOST_STRENGTH = 4.0
MOST_WEIGHTED_RMS_PERCENT = 2.0
NOT_TOGETHER = ({"hunting", "chassis"}, {"platter", "bearing"})
TWO_FAULTS = 0.2
UNKNOWN_BELT_TURNS = 16.0


@dataclass(frozen=True)
class Case:
    """One machine of the study."""

    drive: Any
    faults: tuple[str, ...]
    described: dict[str, Any]
    seconds: float
    frame_rate_hz: float
    noise_dots: float
    seed: int
    belt_order: float | None


@dataclass(frozen=True)
class Outcome:
    """What was said of it."""

    case: Case
    reading: Reading
    with_description: Diagnosis
    without: Diagnosis

    def right(self, said: Diagnosis, *, described: bool) -> bool:
        """Whether the first suspect is a true fault, or more film was asked for where theory says so."""
        if said.film_seconds is not None:
            return self._theory_wants_film(described=described)
        return said.first is not None and said.first.part.key in self.case.faults

    def _theory_wants_film(self, *, described: bool) -> bool:
        """Belt and platter take 1 / (1 - order of the belt) turns; where nobody says that there is no belt, 16."""
        if not {"platter", "bearing", "belt"} & set(self.case.faults):
            return False
        needed = 0.0 if self.case.belt_order is None else 1 / (1 - self.case.belt_order)
        return self.reading.revolutions < (needed if described else max(needed, UNKNOWN_BELT_TURNS))


def read(drive: Any, case_seed: int, *, seconds: float, frame_rate_hz: float, noise_dots: float) -> Reading:
    """A drive run, filmed, and its figures."""
    rng = np.random.default_rng(case_seed)
    run = filmed(drive.turns(seconds, rng), frame_rate_hz=frame_rate_hz, rng=rng, noise_dots=noise_dots)
    figures = evaluate(
        run.time_s,
        run.angle_rev - run.angle_rev[0],
        nominal_rpm=drive.rpm,
        angle_noise_rev=run.noise_rev,
        frame_interval_s=1 / frame_rate_hz,
    )
    return Reading(
        nominal_rpm=drive.rpm,
        mean_rpm=figures.mean_rpm,
        revolutions=figures.revolutions,
        frame_rate_hz=frame_rate_hz,
        fluctuation=figures.fluctuation,
        components=figures.components,
        series=figures.series,
    )


def draw(seed: int) -> Case:
    """One machine with one fault or two, strong enough to be complained of."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(["belt", "servo-belt", "idler", "direct"], p=[0.42, 0.2, 0.16, 0.22])
    rpm = float(rng.choice([100 / 3, 45.0], p=[0.75, 0.25]))
    seconds = float(rng.choice([60.0, 30.0, 14.0], p=[0.65, 0.25, 0.1]))
    film = {
        "seconds": seconds,
        "frame_rate_hz": float(rng.choice([30.0, 25.0, 60.0], p=[0.7, 0.15, 0.15])),
        "noise_dots": float(np.exp(rng.uniform(np.log(2e-4), np.log(1.2e-3)))),
    }
    healthy, faults, described, belt_order = {
        "belt": lambda: _belt(rng, rpm, servo=False),
        "servo-belt": lambda: _belt(rng, rpm, servo=True),
        "idler": lambda: _idler(rng, rpm),
        "direct": lambda: _direct(rng, rpm),
    }[str(kind)]()
    count = 2 if rng.random() < TWO_FAULTS else 1
    sound = read(healthy, seed, **film).fluctuation.weighted_rms_percent
    least = max((LEAST_RISE if count == 1 else LEAST_RISE_OF_TWO) * sound, LEAST_WEIGHTED_RMS_PERCENT)
    drive, names = healthy, list[str]()
    for name in map(str, rng.permutation(sorted(faults))):
        if len(names) == count or any({name, other} in NOT_TOGETHER for other in names):
            continue
        strength = _felt(faults[name], healthy, rng, lambda one: read(one, seed, **film), least=least)
        if strength is not None:
            drive, names = faults[name](drive, strength), [*names, name]
    if described["drive"] != "idler":
        described["sprung"] = "chassis" in names or bool(rng.random() < 0.2)
        if described["sprung"] and rng.random() < 0.5:
            rate = drive.chassis_hz if "chassis" in names else rng.uniform(2.5, 5.5)
            described["bounce_hz"] = float(rate * rng.normal(1, 0.06))
    return Case(drive, tuple(names), described, **film, seed=seed, belt_order=belt_order)


def _felt(
    fault: Any, healthy: Any, rng: np.random.Generator, reading: Callable[[Any], Reading], *, least: float
) -> float | None:
    """A strength at which a fault is complained of; None where that would take a fault that no part has."""
    strength = math.exp(rng.uniform(math.log(0.6), math.log(2.0)))
    while strength < MOST_STRENGTH:
        seen = reading(fault(healthy, strength)).fluctuation.weighted_rms_percent
        if seen > least:
            return strength if seen < MOST_WEIGHTED_RMS_PERCENT else None
        strength *= STRONGER
    return None


def _known(rng: np.random.Generator, values: dict[str, Any], share: float = 0.88) -> dict[str, Any]:
    return {name: value for name, value in values.items() if rng.random() < share}


def _belt(rng: np.random.Generator, rpm: float, *, servo: bool) -> tuple[Any, dict[str, Any], dict[str, Any], float]:
    rim_driven = rng.random() < 0.3
    driven = rng.uniform(0.285, 0.315) if rim_driven else rng.uniform(0.12, 0.21)
    thick = rng.uniform(0.0005, 0.0008)
    mains, poles = (50, 60)[rng.integers(2)], int(rng.choice([24, 16, 12]))
    shaft_rpm = 120 * mains / poles
    pulley = rng.uniform(0.009, 0.016) if servo else driven * rpm / shaft_rpm * (1 + rng.normal(0, 0.003))
    distance = 0.5 * driven * rng.uniform(1.15, 1.45) + 0.5 * pulley
    lean = math.asin((driven - pulley) / (2 * distance))
    path = 2 * distance * math.cos(lean) + driven * (math.pi / 2 + lean) + pulley * (math.pi / 2 - lean)
    width = rng.uniform(0.0035, 0.006)
    mass, size = rng.uniform(0.8, 2.2), rng.uniform(0.29, 0.315)
    healthy = BeltDrive(
        rpm=rpm,
        driven_m=driven,
        pulley_m=pulley,
        belt_path_m=path,
        strand_m=distance * math.cos(lean),
        section_m2=width * thick,
        young_pa=rng.uniform(3e6, 6e6),
        belt_loss=rng.uniform(0.05, 0.2),
        platter_mass_kg=mass,
        platter_m=size,
        pulley_off_m=rng.uniform(2e-6, 1e-5),
        driven_off_m=rng.uniform(5e-6, 3e-5),
        belt_uneven_m=rng.uniform(2e-6, 6e-6),
        rub=Rub(unsteady_nm=rng.uniform(2e-6, 2e-5), unsteady_s=rng.uniform(0.03, 0.1)),
        shaft_rpm=None if servo else shaft_rpm * (1 + rng.normal(0, 4e-4)),
        servo=(rng.uniform(0.4, 2.0), rng.uniform(0.6, 0.9)) if servo else None,
        servo_push=1e-4,
    )
    lump, spot, rate = rng.uniform(0.006, 0.025), rng.uniform(0.03, 0.09), rng.uniform(2.6, 5.5)
    uneven = rng.random() < 0.4
    ring = rng.uniform(0.02, 0.07)
    faults = {
        "pulley": lambda d, s: replace(d, pulley_off_m=6e-5 * s),
        "platter": lambda d, s: replace(d, driven_off_m=3e-4 * s),
        "belt": lambda d, s: (
            replace(d, belt_uneven_m=4e-5 * s) if uneven else replace(d, lump_m=1e-4 * s, lump_length_m=lump)
        ),
        "bearing": lambda d, s: replace(d, rub=replace(d.rub, spot_nm=0.002 * s, spot_width_rev=spot)),
        "swing": lambda d, s: replace(d, rub=replace(d.rub, unsteady_nm=5e-4 * s)),
        "chassis": lambda d, s: replace(d, chassis_hz=rate, chassis_rms_m=4e-5 * s, chassis_q=8.0),
    }
    if servo:
        faults["hunting"] = lambda d, s: replace(d, servo=(d.servo[0], ring), servo_push=4e-4 * s)
    described: dict[str, Any] = _known(
        rng,
        {
            "driven_mm": 1000 * (driven - thick) * rng.normal(1, 0.0015),
            "belt_thickness_mm": 1000 * thick + rng.normal(0, 0.05),
            "belt_width_mm": 1000 * width,
            "belt_length_mm": 1000 * path * rng.normal(1, 0.007),
            "platter_mm": 1000 * size,
            "platter_mass_kg": mass * rng.normal(1, 0.05),
            "motor": "servo" if servo else "synchronous",
        },
    )
    if described.get("platter_mm", 1000) < described.get("driven_mm", 0):
        del described["platter_mm"]
    if rng.random() < 0.88:
        described["pulley_mm"] = {f"{rpm:.10g}": 1000 * (pulley - thick) + rng.normal(0, 0.06)}
    if described.get("motor") == "synchronous":
        described |= {"poles": poles, "mains_hz": mains}
    return healthy, faults, described | {"drive": "belt"}, math.pi * driven / path


def _idler(rng: np.random.Generator, rpm: float) -> tuple[Any, dict[str, Any], dict[str, Any], None]:
    driven, idler = rng.uniform(0.26, 0.29), rng.uniform(0.038, 0.062)
    shaft_rpm = (1500, 1800)[rng.integers(2)] * rng.uniform(0.94, 0.98)
    healthy = IdlerDrive(
        rpm=rpm,
        driven_m=driven,
        idler_m=idler,
        pulley_m=driven * rpm / shaft_rpm,
        contact_n_per_m=rng.uniform(5e3, 1.5e4),
        platter_mass_kg=rng.uniform(1.5, 3.0),
        pulley_off_m=rng.uniform(5e-7, 1.5e-6),
        driven_off_m=rng.uniform(5e-6, 3e-5),
        idler_off_m=rng.uniform(1e-6, 4e-6),
        contact_angle_rev=rng.uniform(0.3, 0.45),
        rub=Rub(torque_nm=0.008, unsteady_nm=rng.uniform(2e-6, 3e-5)),
    )
    flat, width, spot = rng.random() < 0.5, rng.uniform(0.03, 0.09), rng.uniform(0.03, 0.09)
    faults = {
        "idler": lambda d, s: replace(d, flat_m=5e-5 * s, flat_rev=width) if flat else replace(d, idler_off_m=3e-5 * s),
        "pulley": lambda d, s: replace(d, pulley_off_m=1e-5 * s),
        "platter": lambda d, s: replace(d, driven_off_m=3e-4 * s),
        "bearing": lambda d, s: replace(d, rub=replace(d.rub, spot_nm=0.05 * s, spot_width_rev=spot)),
    }
    described = _known(
        rng,
        {
            "driven_mm": 1000 * driven * rng.normal(1, 0.0015),
            "idler_mm": 1000 * idler * rng.normal(1, 0.004),
            "motor": "induction",
            "platter_mm": 300.0,
        },
    )
    if described.get("motor"):
        described |= {"motor_rpm": shaft_rpm * rng.normal(1, 0.01)}
    return healthy, faults, described | {"drive": "idler"}, None


def _direct(rng: np.random.Generator, rpm: float) -> tuple[Any, dict[str, Any], dict[str, Any], None]:
    poles = int(rng.choice([8, 12, 16, 20]))
    healthy = DirectDrive(
        rpm=rpm,
        poles=poles,
        platter_mass_kg=rng.uniform(1.2, 2.8),
        offset_share=rng.uniform(5e-4, 4e-3),
        mismatch_share=rng.uniform(5e-4, 4e-3),
        sensor_off=rng.uniform(2e-5, 2e-4),
        control_hz=rng.uniform(0.5, 2.5),
        control_damping=rng.uniform(0.5, 0.9),
        lag_s=0.004,
        rub=Rub(torque_nm=0.006, unsteady_nm=rng.uniform(1e-5, 6e-5), unsteady_s=rng.uniform(0.05, 0.2)),
    )
    ring, spot, offset = rng.uniform(0.03, 0.08), rng.uniform(0.03, 0.09), rng.random() < 0.6
    faults = {
        "hunting": lambda d, s: replace(d, control_damping=ring, rub=replace(d.rub, unsteady_nm=3e-4 * s)),
        "poles": lambda d, s: replace(d, offset_share=0.2 * s) if offset else replace(d, mismatch_share=0.3 * s),
        "bearing": lambda d, s: replace(d, rub=replace(d.rub, spot_nm=0.004 * s, spot_width_rev=spot)),
        "platter": lambda d, s: replace(d, sensor_off=1.5e-3 * s),
    }
    described = _known(rng, {"platter_mm": 310.0, "motor": "servo", "poles": poles})
    return healthy, faults, described | {"drive": "direct"}, None


def examine(seed: int) -> Outcome:
    """Draw a machine, film it, and ask for the suspect with its description and without."""
    case = draw(seed)
    film = {"seconds": case.seconds, "frame_rate_hz": case.frame_rate_hz, "noise_dots": case.noise_dots}
    reading = read(case.drive, case.seed + 1_000_000, **film)
    machine: Machine = parse_machine(case.described)
    return Outcome(case, reading, diagnose(reading, machine), diagnose(reading))


def study(seeds: range, *, tell: bool = False) -> tuple[float, float, list[Outcome]]:
    """Shares of right first suspects with a description and without."""
    outcomes = [examine(seed) for seed in seeds]
    right = [one.right(one.with_description, described=True) for one in outcomes]
    bare = [one.right(one.without, described=False) for one in outcomes]
    if tell:
        for one, good, guessed in zip(outcomes, right, bare, strict=True):
            case, turns = one.case, one.reading.revolutions
            print(
                f"{case.seed:6d} {case.described['drive']:6s} {'+'.join(case.faults):16s} {turns:5.1f} turns  "
                f"{_said(one.with_description):22s} {'right' if good else 'WRONG'}  "
                f"{_said(one.without):22s} {'right' if guessed else 'WRONG'}"
            )
        tally = Counter(name for one, good in zip(outcomes, right, strict=True) if not good for name in one.case.faults)
        print(f"right with description {np.mean(right):.3f}, without {np.mean(bare):.3f}; missed {dict(tally)}")
    return float(np.mean(right)), float(np.mean(bare)), outcomes


def _said(said: Diagnosis) -> str:
    if said.film_seconds is not None:
        return f"film {said.film_seconds:.0f} s"
    return "nothing" if said.first is None else f"{said.first.part.key} {said.first.score:.2f}"


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--machines", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    study(range(1000 * asked.seed, 1000 * asked.seed + asked.machines), tell=True)
