"""Machine descriptions, belt geometry and expected rates; worked examples computed by hand from diameters and mains."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strobe.drive.belts import belt_length_mm, spindle_distance_mm, swing_hz, transfer
from strobe.drive.expected import Expected, expected_parts, folded_hz
from strobe.drive.machine import DRIVES, Machine, machine_toml, parse_machine, read_machine
from strobe.drive.parts import PART_BY_KEY
from strobe.errors import UsageError

LP = 100 / 3


def part(machine: Machine, key: str, rpm: float = LP) -> Expected:
    return next(one for one in expected_parts(machine, rpm) if one.part == key)


def belt(**values: object) -> Machine:
    return parse_machine({"drive": "belt", "belt_thickness_mm": 0.6, **values})


# Poles, mains, rpm of the motor, order at 33 1/3 rpm: n = 120 f / P.
@pytest.mark.parametrize(
    ("poles", "mains", "rpm", "order"),
    [
        (4, 50, 1500, 45),
        (4, 60, 1800, 54),
        (12, 50, 500, 15),
        (12, 60, 600, 18),
        (16, 50, 375, 11.25),
        (16, 60, 450, 13.5),
        (24, 50, 250, 7.5),
        (24, 60, 300, 9.0),
    ],
)
def test_synchronous_motors(poles: int, mains: int, rpm: float, order: float) -> None:
    machine = belt(motor="synchronous", poles=poles, mains_hz=mains)
    assert machine.mains_motor_rpm == pytest.approx(rpm)
    assert part(machine, "pulley").order == pytest.approx(order)
    assert part(machine, "pulley").frequency_hz == pytest.approx(rpm / 60)


NEEDED = {"driven_mm": 160, "pulley_mm": {"33": 20.8, "45": 28.3}, "idler_mm": 45, "poles": 24, "mains_hz": 50}
NEEDED |= {"motor_rpm": 250, "belt_length_mm": 567.5, "spindle_distance_mm": 120}


@pytest.mark.parametrize(
    ("key", "described", "words", "ways"),
    [
        ("belt", {}, "driven_mm, and belt_length_mm or spindle_distance_mm", ["driven_mm belt_length_mm"]),
        ("belt", {"belt_length_mm": 567.5}, "driven_mm", ["driven_mm"]),
        ("belt", {"driven_mm": 160}, "belt_length_mm or spindle_distance_mm", ["belt_length_mm"]),
        (
            *("belt", {"driven_mm": 160, "spindle_distance_mm": 120}, "belt_length_mm or pulley_mm"),
            ["belt_length_mm", "pulley_mm"],
        ),
        (
            *("belt", {"spindle_distance_mm": 120, "pulley_mm": {"45": 28.3, "78": 49}}),
            "driven_mm, and belt_length_mm or pulley_mm at 33",
            ["driven_mm belt_length_mm", "driven_mm pulley_mm"],
        ),
        ("pulley", {}, "pulley_mm and driven_mm, or motor_rpm", ["pulley_mm driven_mm", "motor_rpm"]),
        ("pulley", {"driven_mm": 160, "motor": "induction"}, "pulley_mm, or motor_rpm", ["pulley_mm", "motor_rpm"]),
        (
            *("pulley", {"pulley_mm": {"33": 20.8}, "motor": "synchronous"}, "driven_mm, or poles and mains_hz"),
            ["driven_mm", "poles mains_hz"],
        ),
        (
            *("pulley", {"motor": "synchronous", "mains_hz": 50}, "pulley_mm and driven_mm, or poles"),
            ["pulley_mm driven_mm", "poles"],
        ),
        ("pulley", {"motor": "servo", "driven_mm": 160}, "pulley_mm", ["pulley_mm"]),
        ("idler", {"drive": "idler"}, "idler_mm and driven_mm", ["idler_mm driven_mm"]),
        ("idler", {"drive": "idler", "idler_mm": 45}, "driven_mm", ["driven_mm"]),
        ("poles", {"drive": "direct"}, "poles", ["poles"]),
    ],
)
def test_what_a_part_needs_is_what_is_not_given_and_is_enough(
    key: str, described: dict[str, object], words: str, ways: list[str]
) -> None:
    machine = {"drive": "belt", **described}
    lacking = part(parse_machine(machine), key)
    assert (lacking.basis, lacking.order) == (f"needs {words}", None)
    for way in ways:
        told = part(parse_machine({**machine, **{name: NEEDED[name] for name in way.split()}}), key)
        assert told.order is not None, way


@pytest.mark.parametrize("motor", [{}, {"motor": "servo"}])
def test_a_speed_without_its_step_of_the_pulley(motor: dict[str, str]) -> None:
    """One diameter serves every speed; of several none is known to serve another, so that a motor's speed is needed."""
    stepped = {"driven_mm": 160, "pulley_mm": {"33": 20.8, "45": 28.3}, "belt_thickness_mm": 0.6, **motor}
    for rpm in (1000 / 60, 78.26):
        assert belt(**stepped).pulley_effective_mm(rpm) is None
        assert part(belt(**stepped), "pulley", rpm).order is None
        single = belt(**{**stepped, "pulley_mm": {"33": 20.8, "45": 20.8}})
        assert single.pulley_effective_mm(rpm) == pytest.approx(21.4)
    assert belt(**stepped).pulley_effective_mm(45) == pytest.approx(28.9)
    if not motor:
        assert belt(**stepped, motor_rpm=250).pulley_effective_mm(78.26) == pytest.approx(160.6 * 78.26 / 250)


# Driven diameter, motor rpm, nominal rpm, effective pulley diameter: D rpm / motor rpm.
@pytest.mark.parametrize(
    ("driven", "shaft", "rpm", "pulley"),
    [
        (160, 250, LP, 21.41),
        (160, 250, 45, 28.91),
        (160, 300, LP, 17.84),
        (160, 300, 45, 24.09),
        (300, 250, LP, 40.08),
        (300, 300, LP, 33.40),
    ],
)
def test_pulleys_that_a_motor_asks_for(driven: float, shaft: float, rpm: float, pulley: float) -> None:
    machine = belt(driven_mm=driven, motor="synchronous", motor_rpm=shaft)
    assert machine.pulley_effective_mm(rpm) == pytest.approx(pulley, abs=0.005)


@pytest.mark.parametrize(
    ("driven", "shaft", "rpm", "bare"),
    [(160, 250, LP, 20.81), (160, 250, 45, 28.31), (160, 300, LP, 17.24), (160, 300, 45, 23.49), (300, 250, LP, 39.48)],
)
def test_bare_pulleys_give_the_nominal_speed(driven: float, shaft: float, rpm: float, bare: float) -> None:
    machine = belt(driven_mm=driven, motor="synchronous", motor_rpm=shaft, pulley_mm={f"{rpm}": bare})
    assert machine.predicted_rpm(rpm) == pytest.approx(rpm, rel=3e-4)


@pytest.mark.parametrize(
    ("driven", "pulley", "distance", "length", "order"),
    [(160.6, 21.4, 120, 567.5, 0.889), (300.6, 40, 190, 1008.5, 0.936)],
)
def test_belt_length_from_geometry_and_back(
    driven: float, pulley: float, distance: float, length: float, order: float
) -> None:
    assert belt_length_mm(driven, pulley, distance) == pytest.approx(length, abs=0.05)
    assert spindle_distance_mm(driven, pulley, length) == pytest.approx(distance, abs=0.05)
    assert math.pi * driven / length == pytest.approx(order, abs=0.0005)


@given(st.floats(60, 320), st.floats(5, 50), st.floats(1.01, 3))
def test_length_and_distance_undo_each_other(driven: float, pulley: float, apart: float) -> None:
    distance = 0.5 * (driven + pulley) * apart
    length = belt_length_mm(driven, pulley, distance)
    assert spindle_distance_mm(driven, pulley, length) == pytest.approx(distance, rel=1e-9)
    assert length > math.pi * 0.5 * (driven + pulley) + 2 * distance * 0.999 * math.cos(
        math.asin(abs(driven - pulley) / (2 * distance))
    )


def test_belt_of_a_machine_from_its_spindle_distance() -> None:
    machine = belt(driven_mm=160, pulley_mm={"33": 20.8}, spindle_distance_mm=120)
    assert machine.belt_path_mm(LP) == pytest.approx(567.5, abs=0.1)
    found = part(machine, "belt")
    assert found.order == pytest.approx(0.889, abs=0.0005)
    assert found.frequency_hz == pytest.approx(0.494, abs=0.0005)
    assert found.period_s == pytest.approx(2.025, abs=0.002)
    rim = belt(driven_mm=300, pulley_mm={"33": 39.4}, spindle_distance_mm=190)
    assert part(rim, "belt").period_s == pytest.approx(1.922, abs=0.002)
    back = belt(driven_mm=160, pulley_mm={"33": 20.8}, belt_length_mm=567.5)
    assert back.spindle_path_mm == pytest.approx(120, abs=0.1)


def test_a_dc_servo_belt_drive() -> None:
    machine = belt(driven_mm=210, pulley_mm={"33": 11}, motor="servo")
    assert part(machine, "pulley").order == pytest.approx(18.2, abs=0.05)
    assert part(machine, "pulley").frequency_hz == pytest.approx(10.1, abs=0.05)
    assert part(machine, "pulley", 45).order == pytest.approx(18.2, abs=0.05)
    assert part(machine, "pulley", 45).frequency_hz == pytest.approx(13.6, abs=0.05)


# Idler on a 280 mm rim: diameter, order, Hz at 33 1/3.
@pytest.mark.parametrize(
    ("idler", "order", "hz"), [(40, 7.0, 3.89), (45, 6.22, 3.46), (50, 5.6, 3.11), (60, 4.67, 2.59)]
)
def test_idlers(idler: float, order: float, hz: float) -> None:
    machine = parse_machine({"drive": "idler", "driven_mm": 280, "idler_mm": idler})
    assert part(machine, "idler").order == pytest.approx(order, abs=0.005)
    assert part(machine, "idler").frequency_hz == pytest.approx(hz, abs=0.005)


def test_a_mains_motor_keeps_its_rate_when_the_platter_is_slow() -> None:
    machine = belt(motor="synchronous", poles=24, mains_hz=60)
    slow = next(one for one in expected_parts(machine, LP, turn_rate_hz=0.99 * LP / 60) if one.part == "pulley")
    assert slow.frequency_hz == pytest.approx(5.0)
    assert slow.order == pytest.approx(9.0 / 0.99)


def test_poles_of_a_direct_drive() -> None:
    machine = parse_machine({"drive": "direct", "poles": 16, "slots": 12})
    orders = [one.order for one in expected_parts(machine, LP) if one.part == "poles"]
    assert orders == [8, 16, 48]


def test_what_is_not_known_stays_unknown() -> None:
    found = {one.part: one for one in expected_parts(Machine("belt"), LP)}
    assert found["belt"].order is None
    assert found["pulley"].order is None
    assert found["pulley"].order_range is not None
    assert found["platter"].order == 1
    assert {"swing", "hunting", "chassis"} <= set(found)
    idler = {one.part for one in expected_parts(Machine("idler"), LP)}
    assert "belt" not in idler
    assert "swing" not in idler


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("motor", [None, "servo"])
def test_a_drive_shows_the_parts_that_the_check_table_gives_it(drive: str, motor: str | None) -> None:
    for one in expected_parts(Machine(drive, motor=motor, poles=8), LP):
        assert drive in PART_BY_KEY[one.part].drives, one.part


def test_the_check_table_names_the_ranges_that_are_looked_in() -> None:
    for drive, part in (("belt", "belt"), ("belt", "pulley"), ("idler", "idler")):
        [expected] = [one for one in expected_parts(Machine(drive), LP) if one.part == part]
        assert expected.order_range is not None
        low, high = expected.order_range
        assert f"{low:g} to {high:g}" in PART_BY_KEY[part].looks


def test_swing_of_a_platter_on_its_belt() -> None:
    # Two strands of 90 mm, 3 square mm at 4 MPa: 267 N/m at 80 mm on a disc of 1.4 kg and 150 mm.
    rate = swing_hz(driven_mm=160, distance_mm=math.hypot(90, 80), section_mm2=3, platter_mm=300, platter_mass_kg=1.4)
    stiffness, inertia = 2 * 4e6 * 3e-6 / 0.09, 0.5 * 1.4 * 0.15**2
    assert rate == pytest.approx(math.sqrt(stiffness * 0.08**2 / inertia) / (2 * math.pi), rel=1e-6)
    assert 1.6 < rate < 1.7


def test_a_belt_passes_slow_faults_and_swallows_fast_ones() -> None:
    assert transfer(0.1, 2.0) == pytest.approx(1.0, abs=0.01)
    assert transfer(2.0, 2.0) > 3
    # Published trial figures: 0.12 to 0.29 of a pulley's eccentricity reach the platter at 4 to 10 Hz.
    assert 0.05 < transfer(6.0, 2.0) < 0.29


@pytest.mark.parametrize(
    ("rate", "frames", "seen"), [(100, 30, 10), (120, 30, 0), (25, 30, 5), (100, 25, 0), (4.2, 30, 4.2), (24.0, 60, 24)]
)
def test_folding(rate: float, frames: float, seen: float) -> None:
    assert folded_hz(rate, frames) == pytest.approx(seen)


def full() -> dict[str, object]:
    return {
        "drive": "belt",
        "name": 'deck "7" \\ invented',
        "speeds_rpm": [33, 45, 78],
        "platter_mm": 300,
        "driven_mm": 160,
        "platter_mass_kg": 1.4,
        "pulley_mm": {"33": 20.8, "45": 28.3},
        "belt_thickness_mm": 0.6,
        "belt_width_mm": 5,
        "belt_length_mm": 567.5,
        "motor": "synchronous",
        "poles": 24,
        "mains_hz": 50,
        "dots": [180, 216],
        "sprung": True,
        "bounce_hz": 3.5,
    }


def test_a_machine_survives_its_file(tmp_path: Path) -> None:
    machine = parse_machine(full())
    assert parse_machine(tomllib.loads(machine_toml(machine))) == machine
    path = tmp_path / "deck.toml"
    path.write_text(machine_toml(machine), encoding="utf-8")
    assert read_machine(path) == machine
    assert machine.speeds_rpm[0] == LP
    assert dict(machine.pulley_mm)[LP] == 20.8


@pytest.mark.parametrize(
    ("changed", "match"),
    [
        ({"drive": "steam"}, "drive is 'steam'"),
        ({"motor": "steam"}, "motor is 'steam'"),
        ({"diameter": 3}, "'diameter' is not known"),
        ({"platter_mm": "wide"}, "platter_mm is 'wide'"),
        ({"platter_mm": 30}, "between 100 and 500"),
        ({"platter_mm": True}, "platter_mm is True"),
        ({"poles": 7.5}, "whole number"),
        ({"idler_mm": 40}, "belongs to a idler drive"),
        ({"sprung": "yes"}, "true or false"),
        ({"sprung": False}, "bounce_hz is given"),
        ({"speeds_rpm": []}, "must be a list"),
        ({"pulley_mm": 20}, "must name a speed"),
        ({"name": "two\nlines"}, "one line of text"),
        ({"driven_mm": 310}, "larger than platter_mm"),
        ({"pulley_mm": {"33": 30}}, "would give"),
        ({"belt_length_mm": 300}, "does not go round"),
        ({"belt_length_mm": 2900}, "would be 13"),
        ({"belt_length_mm": None, "spindle_distance_mm": 70}, "too near"),
    ],
)
def test_what_makes_no_sense_is_refused(changed: dict[str, object], match: str) -> None:
    with pytest.raises(UsageError, match=match):
        parse_machine(full() | changed)


def test_a_direct_drive_has_no_motor_on_the_mains() -> None:
    with pytest.raises(UsageError, match="a direct drive has a servo motor"):
        parse_machine({"drive": "direct", "motor": "synchronous"})


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot read"):
        read_machine(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("drive = belt", encoding="utf-8")
    with pytest.raises(UsageError, match="is not a machine file"):
        read_machine(tmp_path / "bad.toml")
    (tmp_path / "odd.toml").write_text('drive = "steam"', encoding="utf-8")
    with pytest.raises(UsageError, match=r"odd\.toml"):
        read_machine(tmp_path / "odd.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UsageError, match="not a text file"):
        read_machine(tmp_path / "binary.toml")
