"""The reading, the tables and the plot, from invented measurements."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
import re
import xml.etree.ElementTree
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.console import Console

from strobe.bench.limits import parse_limits, with_verdict
from strobe.errors import UsageError
from strobe.figures.results import Component, Fluctuation, SpeedSeries
from strobe.files import check_target, write_whole
from strobe.measurement import (
    Clip,
    ClockCalibration,
    Event,
    Measurement,
    Note,
    RecordContext,
    Refusal,
    Runout,
    Setup,
    Speed,
    Timing,
)
from strobe.report.advice import next_step
from strobe.report.calibration import calibration_text
from strobe.report.plot import amplitude_spectrum, write_plot
from strobe.report.rim import runout_lines
from strobe.report.tables import CSV_COLUMNS, json_line, write_csv
from strobe.report.terminal import WIDTH, greeting, reading, refusal_text, unreadable_text
from strobe.report.words import (
    at_most,
    how_often,
    peak_words,
    period_words,
    printable,
    rounded,
    rpm_words,
    sway_gaps,
)


def component(frequency_hz: float = 5 / 9, peak_percent: float = 0.6, **changes: Any) -> Component:
    """A periodic part at `frequency_hz` of a platter that turns at 33 1/3 rpm."""
    values: dict[str, Any] = {
        "frequency_hz": frequency_hz,
        "frequency_uncertainty_hz": 0.002,
        "period_s": 1 / frequency_hz,
        "peak_percent": peak_percent,
        "weighted_percent": peak_percent / 3,
        "uncertainty_percent": peak_percent / 20,
        "per_revolution": frequency_hz * 1.8,
        "phase_rad": 0.0,
    }
    return Component(**{**values, **changes})


def measurement(**changes: Any) -> Measurement:
    """An invented measurement: 33 1/3 rpm, 180 dots, a little fast, with two wobbles.

    `changes` replace fields of the measurement, or of a part as in ``speed={"deviation_percent": 1.0}``.
    """
    time_s = np.arange(0, 20, 1 / 60)
    deviation_percent = (
        0.05
        + 0.6 * np.sin(2 * np.pi * time_s * 5 / 9)
        + 0.2 * np.sin(2 * np.pi * time_s * 10 / 9)
        + 0.01 * np.random.default_rng(1).standard_normal(time_s.size)
    )
    angle_rev = np.cumsum(1 + deviation_percent / 100) * 5 / 9 / 60
    whole = Measurement(
        clip=Clip("bench/as found.mp4", 599, 20.0, 29.97, 29.97),
        setup=Setup(100 / 3, 180, 50.0, "mains", "rim", ("nominal_rpm", "dots")),
        timing=Timing("lamp", 99.983, "measured", "camera", 0.004),
        speed=Speed(33.35, 0.05, 0.02, 0.07, 0.05, 0.0, 3.0, 11.1),
        fluctuation=Fluctuation(
            band_hz=(0.2, 14.985),
            weighted_peak_percent=0.30,
            weighted_rms_percent=0.17,
            unweighted_peak_percent=0.62,
            unweighted_rms_percent=0.41,
            weighted_peak_uncertainty_percent=0.03,
            weighted_rms_uncertainty_percent=0.02,
            unweighted_peak_uncertainty_percent=0.04,
            unweighted_rms_uncertainty_percent=0.03,
            weighted_floor_percent=0.010,
            unweighted_floor_percent=0.012,
            period_s=1.8,
            period_uncertainty_s=0.01,
        ),
        components=(component(), component(10 / 9, 0.2, weighted_percent=0.05)),
        trend_percent_per_minute=0.02,
        trend_uncertainty_percent_per_minute=0.05,
        series=SpeedSeries(time_s, angle_rev, deviation_percent),
        dot_pitch_px=24.0,
    )
    for name, value in changes.items():
        if isinstance(value, dict):
            value = dataclasses.replace(getattr(whole, name), **value)
        whole = dataclasses.replace(whole, **{name: value})
    return whole


def rows(text: str) -> dict[str, str]:
    """A reading as label to text, lines joined by a space."""
    found: dict[str, str] = {}
    label = ""
    for line in text.splitlines():
        label = line[:12].strip() or label
        found[label] = (found.get(label, "") + " " + line[12:].strip()).strip()
    return found


def said(*, filed: bool = False, **changes: Any) -> dict[str, str]:
    return rows(reading(measurement(**changes), filed=filed).plain)


def test_answer_comes_first_and_says_all() -> None:
    text = reading(measurement(notes=(Note("two-lamps", "Two lamps at once."),))).plain
    labels = [line[:12].strip() for line in text.splitlines() if line[:12].strip()]
    assert labels == [
        *("READING", "SPEED", "STEADINESS", "WOBBLE", "RESTS ON", "KNOWN", "ASSUMED", "BEWARE", "NEXT"),
    ]
    found = rows(text)
    assert found["SPEED"].startswith("33.350 rpm   0.050 % fast (±0.020)")
    assert "creep left (with the turning), 3.0 a minute" in found["SPEED"]
    assert "±0.30 % (±0.03)  weighted 2-sigma peak    rms 0.170 % (±0.020)" in found["STEADINESS"]
    assert "weighted as IEC 60386 / AES6 describe, band 0.2-15 Hz" in found["STEADINESS"]
    assert "measured per" not in text
    assert "1.80 s" in found["WOBBLE"]
    assert "once a turn" in found["WOBBLE"]
    assert "±0.17 of a gap" in found["WOBBLE"]
    assert found["RESTS ON"].startswith("camera's clock; lamp measured at 99.983 (±0.004) flashes a second")
    assert "+0.050 % by camera, +0.070 % by lamp" in found["RESTS ON"]
    assert found["KNOWN"] == "mains lamp, 29.97 pictures a second, 50 Hz mains"
    assert found["ASSUMED"] == "33 1/3 rpm (--rpm), 180 dots (--dots)"
    assert found["BEWARE"] == "Two lamps at once."


@pytest.mark.parametrize(
    ("deviation", "uncertainty", "words"),
    [
        (0.05, 0.02, "0.050 % fast (±0.020)"),
        (-0.4, 0.003, "0.400 % slow (±0.003)"),
        (0.019, 0.02, "right, within the ±0.020 % that this clip can tell"),
        (-0.0004, 0.0006, "right, within the ±0.0006 % that this clip can tell"),
    ],
)
def test_fast_slow_and_right(deviation: float, uncertainty: float, words: str) -> None:
    speed = {"deviation_percent": deviation, "uncertainty_percent": uncertainty}
    assert words in said(speed=speed)["SPEED"]


@pytest.mark.parametrize(
    ("drift", "words"),
    [
        (0.2, "The dots look still"),
        (-2.04, "The dots creep right (against the turning), 2.0 a minute."),
        (30.4, "The dots creep left (with the turning), 30 a minute."),
        (-120.0, "The dots creep right (against the turning), 2.0 a second."),
    ],
)
def test_creep_in_the_eye(drift: float, words: str) -> None:
    assert words in said(speed={"drift_dots_per_minute": drift})["SPEED"]


def test_creep_without_a_side_from_above_and_without_a_lamp() -> None:
    assert "creep with the turning, 3.0 a minute" in said(setup={"view": "above"})["SPEED"]
    steady = {"flash_rate_hz": None, "flash_rate_source": None, "line": "camera"}
    assert "Under a mains lamp the dots would creep left" in said(timing=steady)["SPEED"]
    assert said(timing=steady)["RESTS ON"].startswith("camera's clock dots timed by shutter")
    assert "creep" not in said(timing=steady, setup={"lamp": "steady"})["SPEED"]


def test_still_pattern_that_is_not_the_nominal_speed() -> None:
    """133 bars under 100 flashes a second stand still at 45.113 rpm, +0.25 %."""
    found = said(setup={"nominal_rpm": 45.0, "dots": 133}, speed={"still_deviation_percent": 0.2506})
    assert "A row of 133 dots stands still at 45.11 rpm, which is +0.25 %" in found["SPEED"]
    assert "stands still" not in said()["SPEED"]


def test_figures_not_told_from_zero_are_upper_bounds() -> None:
    found = said(fluctuation={"weighted_peak_percent": 0.01, "weighted_rms_percent": 0.005}, components=())
    assert found["STEADINESS"].startswith("below ±0.040 %")
    assert "rms below 0.025 %" in found["STEADINESS"]
    assert found["WOBBLE"] == "None stands clear of the noise, which alone would read 0.012 % rms."


def test_dots_that_creep_against_the_speed_say_that_the_lamp_does_it() -> None:
    speed = {
        "drift_dots_per_minute": -0.6,
        "deviation_to_camera_percent": 0.021,
        "deviation_to_lamp_percent": -0.01,
    }
    creep = "The dots creep right (against the turning), 0.6 a minute"
    assert f"{creep}: the lamp runs 0.031 % fast." in said(speed=speed)["SPEED"]
    slow = {"drift_dots_per_minute": 0.6, "deviation_to_camera_percent": -0.02, "deviation_to_lamp_percent": 0.01}
    assert "0.6 a minute: the lamp runs 0.03 % slow." in said(speed=slow)["SPEED"]
    # Where both say one way, or the dots stand still at another speed than the nominal one, the lamp is no reason.
    for other in ({"deviation_to_camera_percent": -0.021}, {"deviation_to_lamp_percent": 0.01}):
        assert f"{creep}." in said(speed=speed | other)["SPEED"]


def test_too_few_turns_tell_no_single_wobble() -> None:
    assert said(components=(), speed={"revolutions": 1.7})["WOBBLE"] == (
        "1.7 turns are too few to tell one wobble from another."
    )


def test_a_verdict_says_what_the_steadiness_says() -> None:
    """A figure that is a mere limit has no ± in the table of the limits either."""
    unclear = measurement(fluctuation={"weighted_peak_percent": 0.06, "weighted_peak_uncertainty_percent": 0.08})
    found = rows(reading(with_verdict(unclear, parse_limits(["weighted-peak=0.1"]))).plain)
    assert found["STEADINESS"].startswith("below ±0.14 %")
    assert "weighted 2-sigma peak below 0.14 % at most 0.1 % undecided" in " ".join(found["LIMITS"].split())


def test_a_record_is_weighed_at_both_places_that_other_reports_name() -> None:
    record = RecordContext(off_centre_mm=0.2, groove_radius_mm=60.0, peak_percent=0.333, weighted_percent=0.1047)
    told = said(record=record, setup={"nominal_rpm": 100 / 3})["A RECORD"]
    assert "±0.105 % weighted once a turn at the inner groove, ±0.063 % in mid-record" in told


def test_a_bound_is_rounded_up() -> None:
    """0.03 with a half-width of 0.034 may be 0.064: "below 0.06" would be said of a machine that is not below it."""
    assert peak_words(0.03, 0.034) == "below ±0.064 %"
    assert peak_words(0.03, 0.0341) == "below ±0.065 %"
    found = said(fluctuation={"weighted_rms_percent": 0.03, "weighted_rms_uncertainty_percent": 0.034}, components=())
    assert "rms below 0.064 %" in found["STEADINESS"]
    runout = Runout(0.0, 0.021, 0.0, None, None)
    assert runout_lines(measurement(runout=runout), always=True)[0] == "rises and falls by less than 0.03 mm"
    # What adding two floats leaves is no reason to go up.
    assert at_most(0.1 + 0.2, 1) == "0.3"


@given(value=st.floats(0, 100), decimals=st.integers(0, 4))
def test_what_is_said_to_be_less_than_a_bound_is_less(value: float, decimals: int) -> None:
    """At most a thousandth of the last decimal more, and never a whole one less."""
    said_to_be, step = float(at_most(value, decimals)), 10.0**-decimals
    assert value - 1.1e-3 * step <= said_to_be < value + step + 1e-9


def test_at_most_five_wobbles_and_which_weighs_most() -> None:
    parts = tuple(component(0.5 + n, 0.7 - 0.1 * n, weighted_percent=0.1 * n) for n in range(7))
    found = said(components=parts)
    assert found["WOBBLE"].count("of a gap") + found["WOBBLE"].count("under 0.01 gap") == 5
    assert "2 smaller not shown." in found["WOBBLE"]
    assert f"The one every {period_words(1 / 6.5)} weighs most" in found["WOBBLE"]
    assert "weighs most" not in said(components=parts[:1])["WOBBLE"]


def test_a_wobble_that_uneven_dots_may_make_is_explained_and_called_no_heaviest() -> None:
    """Three times a turn, clear of the noise, and no larger than what uneven dots may feign."""
    feigned = component(5 / 3, 0.01, uncertainty_percent=0.02, weighted_percent=0.9)
    found = said(components=(component(), feigned))["WOBBLE"]
    assert "below ±0.030 %" in found
    assert "below: seen, but dots off their places, shake or coding may make it" in found
    assert "weighs most" not in found
    assert "below" not in said()["WOBBLE"]


def test_drift_only_where_it_stands_clear() -> None:
    assert "DRIFT" not in said()
    found = said(trend_percent_per_minute=-0.3, trend_uncertainty_percent_per_minute=0.1)
    assert found["DRIFT"] == "loses speed, 0.30 % a minute (±0.10); 0.1 % over this clip"


def test_nominal_and_given_lamps_are_told_apart() -> None:
    nominal = {"flash_rate_hz": 100.0, "flash_rate_source": "nominal", "reference": "lamp"}
    assert said(timing=nominal)["RESTS ON"].startswith("the lamp, taken as 100 flashes a second, not measured")
    given_rate = {"flash_rate_hz": 100.0, "flash_rate_source": "given", "reference": "lamp"}
    assert said(timing=given_rate)["RESTS ON"].startswith("the lamp, given as 100 flashes a second")


def test_a_flash_rate_is_never_told_to_nothing() -> None:
    """A clip of two minutes tells 100 Hz to 0.00004 Hz, 0.4 ppm."""
    rate: dict[str, Any] = {"flash_rate_hz": 110.000123, "flash_rate_uncertainty_hz": 0.00004}
    assert "110.00012 (±0.00004) flashes" in said(timing={**rate, "flash_rate_source": "measured"})["RESTS ON"]
    found = ClockCalibration(
        "lamp.mp4",
        1.0,
        1.1,
        True,
        110.0,
        1.0,
        True,
        **rate,
        modulation_percent=29.0,
        duration_s=120.0,
        frame_rate_hz=30.0,
    )
    text = calibration_text(found, camera=None, kept_in=None, asked_to_keep=False).plain
    assert "lamp at 110.00012 (±0.00004) flashes" in " ".join(text.split())


def test_slow_motion_and_events_are_shown() -> None:
    found = said(clip={"capture_rate_hz": 239.76}, events=(Event(3.25, "step", -0.4),))
    assert "slow motion: 239.8 pictures a second shown at 29.97" in found["READING"]
    assert found["EVENT"] == "at 3.25 s: step, -0.4 %"


@pytest.mark.parametrize(
    ("changes", "words", "into_machine"),
    [
        ({"speed": {"deviation_percent": 35.0}}, "count the dots", False),
        (
            {"speed": {"deviation_percent": 35.0}, "setup": {"assumed": ("nominal_rpm",)}},
            "So large an error is more often another speed: measure again with --rpm.",
            False,
        ),
        ({"speed": {"deviation_percent": 35.0}, "setup": {"assumed": ("dots",)}}, "measure again with --dots.", False),
        ({"speed": {"revolutions": 2.5}}, "Film 30 s or longer: 2.5 turns are too few", False),
        ({"speed": {"deviation_percent": 0.5}}, "trim the pitch down by 0.5 %", True),
        # Shown as 0.30 %, and so held against 0.3 as that.
        ({"speed": {"deviation_percent": 0.2999}}, "trim the pitch down by 0.3 %", True),
        ({"speed": {"deviation_percent": 0.2999, "uncertainty_percent": 0.00005}}, "opposite side", False),
        ({"speed": {"deviation_percent": -0.5}}, "trim the pitch up by 0.5 %", True),
        ({"speed": {"deviation_percent": 0.5, "uncertainty_percent": 0.6}}, "opposite side", False),
        ({}, "opposite side of the spindle", False),
        ({"components": (component(3.9),)}, "another of its speeds", False),
        (
            {
                "fluctuation": {"weighted_peak_percent": 0.1},
                "timing": {"reference": "lamp", "flash_rate_source": "nominal"},
            },
            "For the true rpm",
            False,
        ),
    ],
)
def test_one_next_step(changes: dict[str, Any], words: str, into_machine: bool) -> None:
    step = next_step(measurement(**changes))
    assert step is not None
    assert words in step[0]
    assert step[1] is into_machine
    assert words in said(filed=True, **changes)["NEXT"]
    assert ("CAUTION" in said(**changes)) is into_machine


def test_a_reading_that_asks_for_nothing_is_to_be_kept_but_where_it_is_filed() -> None:
    calm: dict[str, Any] = {"fluctuation": {"weighted_peak_percent": 0.1}}
    assert next_step(measurement(**calm)) is None
    assert said(**calm)["NEXT"].startswith("Keep this reading (--job NAME)")
    assert "NEXT" not in said(filed=True, **calm)


def test_advice_into_the_machine_says_unplug() -> None:
    caution = said(speed={"deviation_percent": 0.5})["CAUTION"]
    assert "Unplug" in caution
    assert "competent person" in caution
    assert "Dots that look still do not mean a platter that stands still." in caution


POSITIVE = st.floats(1e-7, 400.0)
SMALL = st.floats(1e-6, 30.0)


@st.composite
def measurements(draw: st.DrawFn) -> Measurement:
    parts = tuple(
        component(
            draw(st.floats(0.05, 120.0)),
            draw(SMALL),
            frequency_uncertainty_hz=draw(st.floats(1e-6, 0.5)),
            uncertainty_percent=draw(SMALL),
        )
        for _ in range(draw(st.integers(0, 7)))
    )
    source = draw(st.sampled_from(["measured", "nominal", "given", None]))
    return measurement(
        clip={"path": draw(st.text(max_size=120)), "capture_rate_hz": draw(st.sampled_from([29.97, 240.0]))},
        setup={
            "nominal_rpm": draw(st.sampled_from([50 / 3, 100 / 3, 45.0, 78.26, 32.123456789])),
            "dots": draw(st.integers(10, 4000)),
            "mains_hz": draw(st.sampled_from([None, 50.0, 60.0])),
            "view": draw(st.sampled_from(["rim", "above"])),
            "assumed": tuple(draw(st.sets(st.sampled_from(["nominal_rpm", "dots", "mains_hz", "lamp"])))),
        },
        timing={
            "line": draw(st.sampled_from(["lamp", "camera"])),
            "reference": draw(st.sampled_from(["lamp", "camera"])),
            "flash_rate_source": source,
            "flash_rate_hz": None if source is None else draw(st.floats(20.0, 2000.0)),
            "flash_rate_uncertainty_hz": draw(st.none() | POSITIVE),
        },
        speed={
            "deviation_percent": draw(st.floats(-60.0, 200.0)),
            "uncertainty_percent": draw(POSITIVE),
            "deviation_to_lamp_percent": draw(st.none() | st.floats(-60.0, 200.0)),
            "still_deviation_percent": draw(st.floats(-3.0, 3.0)),
            "drift_dots_per_minute": draw(st.floats(-9000.0, 9000.0)),
        },
        fluctuation={
            "weighted_peak_percent": draw(SMALL),
            "weighted_peak_uncertainty_percent": draw(SMALL),
            "weighted_rms_uncertainty_percent": draw(SMALL),
        },
        components=parts,
        trend_percent_per_minute=draw(st.floats(-50.0, 50.0)),
        notes=(Note("any", draw(st.text(max_size=300))),),
    )


@settings(max_examples=200, deadline=None)
@given(measurements())
def test_every_reading_fits_80_columns(whole: Measurement) -> None:
    for line in reading(whole).plain.split("\n"):
        assert cell_len(line) <= WIDTH == 80
        assert line.isprintable()


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200), st.sampled_from(["no-contrast", "x" * 40]), st.text(), st.text())
def test_every_refusal_fits_80_columns(path: str, reason: str, message: str, advice: str) -> None:
    for text in (
        refusal_text(Refusal(path, reason, message, advice)),
        unreadable_text(path, message),
        greeting(),
    ):
        for line in text.plain.split("\n"):
            assert cell_len(line) <= WIDTH
            assert line.isprintable()


def test_refusal_keeps_the_lines_of_its_advice() -> None:
    refusal = Refusal("clip.mp4", "no-contrast", "A grey band.", "1 switch off; or\n2 add light.")
    lines = refusal_text(refusal).plain.splitlines()
    assert lines[0] == f"{'NO READING  clip.mp4':<65}  (no-contrast)"
    assert lines[1:4] == [
        "SEEN        A grey band.",
        "DO THIS     1 switch off; or",
        "            2 add light.",
    ]
    assert lines[4].startswith("CAUTION     Dots that look still")
    assert "CAUTION" not in refusal_text(dataclasses.replace(refusal, reason="too-short")).plain


def test_colour_carries_no_meaning() -> None:
    whole = measurement(notes=(Note("n", "Beware of this."),))
    coloured, plain = io.StringIO(), io.StringIO()
    Console(file=coloured, force_terminal=True, color_system="truecolor", width=200).print(reading(whole))
    Console(file=plain, color_system=None, width=200).print(reading(whole))
    assert "\x1b[" in coloured.getvalue()
    assert re.sub(r"\x1b\[[0-9;]*m", "", coloured.getvalue()) == plain.getvalue()


@pytest.mark.parametrize(
    ("uncertainty", "decimals"),
    [(0.03, 2), (0.023, 3), (0.0124, 3), (0.95, 1), (1.4, 1), (4.0, 0), (37.0, 0), (1e-9, 4), (0.0, 4)],
)
def test_rounding_follows_the_uncertainty(uncertainty: float, decimals: int) -> None:
    assert rounded(uncertainty) == decimals


@pytest.mark.parametrize(
    ("order", "spread", "words"),
    [
        (1.0, 0.002, "once a turn"),
        (1.004, 1e-5, "once a turn"),
        (1.98, 0.03, "twice a turn"),
        (9.0, 0.001, "9 times a turn"),
        (7.05, 0.002, "7.05 times a turn"),
        (0.889, 0.004, "once in 1.12 turns"),
        (1.02, 0.2, "about once a turn"),
        (6.8, 0.3, "about 6.8 times a turn"),
        (0.3, 0.1, "about once in 3.3 turns"),
    ],
)
def test_how_often_in_turns(order: float, spread: float, words: str) -> None:
    part = component(per_revolution=order, frequency_uncertainty_hz=spread * 5 / 9)
    assert how_often(part, turn_rate_hz=5 / 9) == words


def test_sway_is_the_integral_of_the_wobble() -> None:
    """Against the angle of a platter with that wobble, added up over one period on a fine grid."""
    part = component(0.5556, 0.6)
    time_s = np.linspace(0, 1 / 0.5556, 100_001)
    extra_rate = 100.0 * 0.006 * np.cos(2 * np.pi * 0.5556 * time_s)
    swing = np.cumsum(extra_rate) * (time_s[1] - time_s[0])
    assert sway_gaps(part, dot_rate_hz=100.0) == pytest.approx(np.ptp(swing) / 2, rel=1e-3)
    assert sway_gaps(part, dot_rate_hz=100.0) == pytest.approx(0.172, abs=0.001)


def test_words_of_speeds_and_periods() -> None:
    assert [rpm_words(rpm) for rpm in (50 / 3, 100 / 3, 45.0, 78.26, 33.3)] == [
        *("16 2/3", "33 1/3", "45", "78.26", "33.3"),
    ]
    assert [period_words(s) for s in (0.0666, 0.9, 1.8, 12.34, 250.0)] == [
        *("0.0666 s", "0.900 s", "1.80 s", "12.3 s", "250 s"),
    ]


def test_control_characters_never_reach_the_terminal() -> None:
    assert printable("a\x1b[31m\nb\udc80") == "a?[31m?b?"
    assert "\x1b" not in reading(measurement(clip={"path": "a\x1b[2Jb.mp4"})).plain


CONTRACT = {
    "": {
        *(
            "schema",
            "clip",
            "setup",
            "timing",
            "speed",
            "fluctuation",
            "components",
            "trend_percent_per_minute",
        ),
        *("trend_uncertainty_percent_per_minute", "events", "runout", "verdict", "notes"),
    },
    "clip": {"path", "frames", "duration_s", "frame_rate_hz", "capture_rate_hz"},
    "setup": {"nominal_rpm", "dots", "mains_hz", "lamp", "view", "assumed"},
    "timing": {
        *("line", "flash_rate_hz", "flash_rate_source", "reference", "flash_rate_uncertainty_hz"),
        "camera_rate_error_ppm",
    },
    "speed": {
        *("mean_rpm", "deviation_percent", "uncertainty_percent", "deviation_to_lamp_percent"),
        *("deviation_to_camera_percent", "still_deviation_percent", "drift_dots_per_minute", "revolutions"),
        "end_to_end_deviation_percent",
    },
    "fluctuation": {
        "band_hz",
        *(
            f"{w}_{k}{u}_percent"
            for w in ("weighted", "unweighted")
            for k in ("peak", "rms")
            for u in ("", "_uncertainty")
        ),
        *("weighted_floor_percent", "unweighted_floor_percent", "period_s", "period_uncertainty_s"),
    },
    "components": {
        *("frequency_hz", "frequency_uncertainty_hz", "period_s", "peak_percent", "weighted_percent"),
        *("uncertainty_percent", "per_revolution", "phase_rad", "suspect"),
    },
    "events": {"time_s", "kind", "size_percent"},
    "runout": {
        *("axial_mm", "axial_uncertainty_mm", "axial_high_time_s", "radial_mm", "radial_uncertainty_mm"),
    },
    "notes": {"code", "message"},
}


def test_json_has_the_keys_of_the_contract() -> None:
    whole = measurement(
        events=(Event(1.0, "step", 0.2),), runout=Runout(0.1, 0.01, 2.0, 0.2, 0.02), notes=(Note("n", "±"),)
    )
    line = json_line(whole)
    assert "\n" not in line
    assert line.isascii()
    found = json.loads(line)
    assert found["schema"] == "strobe.measurement/1"
    assert set(found) >= CONTRACT[""]  # keys may be added, never renamed
    for part, keys in CONTRACT.items():
        if part:
            value = found[part][0] if isinstance(found[part], list) else found[part]
            assert set(value) >= keys, part
    assert found["fluctuation"]["band_hz"] == [0.2, 14.985]
    assert found["speed"]["deviation_percent"] == whole.speed.deviation_percent


def test_json_of_a_refusal() -> None:
    found = json.loads(json_line(Refusal("clip.mp4", "too-dark", "seen", "do")))
    assert found == {
        "schema": "strobe.refusal/1",
        "clip": {"path": "clip.mp4"},
        "reason": "too-dark",
        "message": "seen",
        "advice": "do",
    }


def test_csv_reads_back_exactly(tmp_path: Path) -> None:
    series = measurement().series
    path = tmp_path / "series.csv"
    write_csv(series, path)
    with path.open(newline="") as file:
        found = list(csv.reader(file))
    assert tuple(found[0]) == CSV_COLUMNS == ("time_s", "angle_rev", "deviation_percent")
    values = np.array(found[1:], dtype=float)
    for place, name in enumerate(CSV_COLUMNS):
        np.testing.assert_array_equal(values[:, place], getattr(series, name))
    assert [entry.name for entry in tmp_path.iterdir()] == ["series.csv"]


def test_a_file_that_fails_half_way_leaves_the_old_one(tmp_path: Path) -> None:
    path = tmp_path / "old.csv"
    path.write_text("old")

    def fail(file: BinaryIO) -> None:
        file.write(b"half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_whole(path, fail)
    assert path.read_text() == "old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["old.csv"]


def test_unwritable_targets_are_usage_errors(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is not an ordinary file"):
        check_target(tmp_path, option="--csv")
    with pytest.raises(UsageError, match="does not exist"):
        check_target(tmp_path / "none" / "a.csv", option="--csv")
    with pytest.raises(UsageError, match="cannot write"):
        write_whole(tmp_path / "none" / "a.csv", lambda file: file.write(b""))
    check_target(tmp_path / "new.csv", option="--csv")
    with pytest.raises(UsageError, match=r"new ends in nothing; end it in \.pdf$"):
        check_target(tmp_path / "new", option="--to", suffixes=(".pdf",))
    with pytest.raises(UsageError, match=r"^--to: .* ends in '\.gif'; end it in \.a, \.b or \.c$"):
        check_target(tmp_path / "new.gif", option="--to", suffixes=(".a", ".b", ".c"))
    check_target(tmp_path / "new.PDF", option="--to", suffixes=(".svg", ".pdf"))


def test_plot_files_are_valid(tmp_path: Path) -> None:
    from matplotlib.image import imread

    png, svg = tmp_path / "plot.png", tmp_path / "plot.SVG"
    whole = measurement(components=(component(), component(10 / 9, 0.2), component(14.0, 0.01)))
    write_plot(whole, png)
    write_plot(whole, svg)
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    picture = imread(png)
    assert picture.shape[:2] == (1140, 1080)
    assert np.ptp(picture[..., :3]) > 0.5
    assert xml.etree.ElementTree.parse(svg).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    assert b"strobe" in png.read_bytes()[:2000]


def test_a_name_with_dollars_is_drawn_as_it_is(tmp_path: Path) -> None:
    write_plot(measurement(clip={"path": "a$_$b.mp4"}), tmp_path / "plot.svg")
    assert "<!-- a$_$b.mp4: speed against" in (tmp_path / "plot.svg").read_text(encoding="utf-8")


def test_plot_of_another_suffix_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"end it in \.png or \.svg"):
        write_plot(measurement(), tmp_path / "plot.pdf")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("frequency_hz", [0.55, 3.9, 12.0])
def test_spectrum_reads_the_amplitude_of_a_sinusoid(frequency_hz: float) -> None:
    """A Hann window at 8-fold padding reads a sinusoid between two bins less than 1 % low (scalloping)."""
    time_s = np.arange(0, 20, 1 / 60)
    wave = 0.3 * np.cos(2 * np.pi * frequency_hz * time_s + 1.0) + 2.0 + 0.01 * time_s
    found_hz, peak = amplitude_spectrum(wave, sample_rate_hz=60.0)
    highest = int(np.argmax(peak))
    assert found_hz[highest] == pytest.approx(frequency_hz, abs=1 / 160)
    assert math.isclose(peak[highest], 0.3, rel_tol=0.01)
