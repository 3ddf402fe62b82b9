"""Whatever is written in an option, a TOML file or a job to import: a sensible value, or a plain usage error."""

from __future__ import annotations

import io
import json
import math
import os
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_report import measurement

from strobe.bench.exchange import job_from_bytes, job_to_bytes
from strobe.bench.limits import parse_limits
from strobe.bench.records import Conditions, Entry, Job, Reading
from strobe.cli import ExitStatus, run
from strobe.cli.clips import parse_lamp, parse_mains
from strobe.cli.measure import parse_view
from strobe.configuration import load_configuration, set_value
from strobe.drive.machine import parse_machine, read_machine
from strobe.errors import UsageError
from strobe.figures.rings import parse_rpm
from strobe.measuring import check_options
from strobe.practice import codec_for
from strobe.printing.paper import parse_scale
from strobe.printing.rings import parse_ring

LONG = "9" * 5000
"""More digits than Python turns into a whole number."""
DEEP = "a = " + "[" * 5000
"""Nested deeper than Python's own stack."""

WORDS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["nan", "inf", "-inf", "1e999", "-0", "0", "0x10", "1_000", "٣٣", "33⅓", "33 1/3", " 45 ", "1e-320", "--", LONG]
    ),
    st.from_regex(r"[0-9+\-.,:=/eE]{1,10}", fullmatch=True),
)
MACHINE = """drive = "belt"
belt_mm = 640
motor_poles = 16
"""
NEAR_TOML = st.builds(
    lambda text, at, put, cut: text[:at] + put + text[at + cut :],
    st.sampled_from([MACHINE, "mains = 50\n[camera]\nname = 'a'\n[cameras.a]\nrate_error_ppm = 3.5\n", ""]),
    st.integers(0, 60),
    st.one_of(st.text(max_size=8), st.sampled_from(["[" * 3000, "\x00", LONG, "nan", "[[a]]", "a.b=1\n", "\ud800"])),
    st.integers(0, 12),
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=6,
)


def test_the_extremes_are_extreme() -> None:
    with pytest.raises(ValueError, match="digits"):
        int(LONG)
    with pytest.raises(RecursionError):
        tomllib.loads(DEEP)


def parsed(parse: Callable[..., Any], *values: Any, error: type[ValueError] = UsageError) -> tuple[Any, str]:
    """What comes of it, or None and the words of the error; no other error may come."""
    try:
        return parse(*values), ""
    except error as said:
        return None, str(said) or "nothing was said"


@given(WORDS)
def test_a_speed(text: str) -> None:
    value, error = parsed(parse_rpm, text)
    assert "rpm" in error or 0 < value < math.inf


@given(WORDS)
def test_a_lamp(text: str) -> None:
    value, error = parsed(parse_lamp, text)
    assert "--lamp" in error or value in ("mains", "once", "steady") or 0 < value < math.inf


@given(WORDS)
def test_mains_and_view(text: str) -> None:
    value, error = parsed(parse_mains, text)
    assert "--mains" in error or value in (50, 60)
    value, error = parsed(parse_view, text)
    assert "--view" in error or value in ("rim", "disc")


@given(WORDS)
@example(LONG)
@example("180:nan-inf")
def test_a_ring(text: str) -> None:
    value, error = parsed(parse_ring, text)
    assert error or (value[0] > 0 and (value[1] is None or all(map(math.isfinite, value[1]))))


@given(WORDS)
def test_a_scale(text: str) -> None:
    value, error = parsed(parse_scale, text)
    assert "scale" in error or value is not None


@given(st.lists(WORDS, max_size=3))
@example(["speed=nan"])
@example(["speed=-1/+inf"])
@example(["speed=1e999"])
def test_limits(words: list[str]) -> None:
    value, error = parsed(parse_limits, words)
    assert error or all(math.isfinite(one.high_percent) for one in value.limits)


@given(st.text(max_size=10).filter(lambda text: "\x00" not in text))
def test_a_suffix(text: str) -> None:
    known = Path(text).suffix.lower() in (".mp4", ".mov", ".mkv", ".avi")
    assert parsed(codec_for, Path(text))[0] in (("h264", "mjpeg") if known else (None,))


NUMBERS = st.one_of(st.none(), st.integers(), st.floats())


@given(st.one_of(st.none(), st.integers()), NUMBERS, st.one_of(st.text(max_size=6), st.floats()), NUMBERS, NUMBERS)
def test_options_of_measure(dots: Any, mains: Any, lamp: Any, capture_rate_hz: Any, mains_default: Any) -> None:
    if parsed(check_options, dots, mains, lamp, capture_rate_hz, mains_default)[1]:
        return
    assert dots is None or 4 <= dots <= 2000
    assert mains in (None, 50, 60)
    assert capture_rate_hz is None or 5 <= capture_rate_hz <= 2000


OPTIONS = ("--rpm", "--dots", "--mains", "--lamp", "--capture-rate", "--view", "--disc-mm", "--workers", "--limit")
MORE = (
    "--running",
    "--platter",
    "--stylus",
    "--pitch",
    "--side",
    "--job",
    "--after",
    "--machine",
    "--camera",
    "--plot",
)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(OPTIONS + MORE), WORDS), min_size=1, max_size=3))
def test_options_on_the_command_line(pairs: list[tuple[str, str]]) -> None:
    out, err = io.StringIO(), io.StringIO()
    argv = [word for pair in pairs for word in pair]
    asked: list[str] = []

    def stand_in(path: str, **options: Any) -> Any:
        asked.append(path)
        raise UsageError("not measured here")

    assert run(["measure", "none.mp4", *argv], out=out, err=err, measure=stand_in) in (
        ExitStatus.USAGE,
        ExitStatus.UNREADABLE,
    )
    assert "Traceback" not in err.getvalue()
    assert err.getvalue()


@settings(max_examples=60, deadline=None)
@given(st.one_of(st.binary(max_size=40), NEAR_TOML.map(lambda text: text.encode("utf-8", "surrogatepass"))))
@example(DEEP.encode())
@example(f"dots = {LONG}".encode())
def test_files_of_machines_and_of_the_configuration(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "described.toml"
    path.write_bytes(content)
    for read in (read_machine, load_configuration):
        value, error = parsed(read, path)
        assert str(path) in error or value is not None


@pytest.mark.skipif(os.name == "nt", reason="makes a POSIX pipe")
def test_pipes_devices_and_huge_files_are_not_read(tmp_path: Path) -> None:
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * 300_000)
    os.mkfifo(tmp_path / "pipe")
    odd = "not an ordinary file"
    cases = ((Path("/dev/zero"), odd), (tmp_path / "pipe", odd), (tmp_path, "directory"), (huge, "larger than 256 kB"))
    for path, why in cases:
        for read in (read_machine, load_configuration):
            assert why in parsed(read, path)[1]


@given(st.dictionaries(st.sampled_from(["drive", "belt_mm", "motor_poles", "mains_hz", "x"]), JSON, max_size=4))
def test_values_of_a_machine(values: dict[str, Any]) -> None:
    value, error = parsed(parse_machine, values)
    assert "machine" in error or value is not None


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(["mains", "camera.rate_error_ppm", "limits.speed", "cameras.a.rate_error_ppm", ".", "", "a.b"]),
    WORDS,
)
def test_values_of_the_configuration(tmp_path_factory: pytest.TempPathFactory, key: str, text: str) -> None:
    path = tmp_path_factory.getbasetemp() / "set.toml"
    _, error = parsed(set_value, key, text, path)
    assert error or load_configuration(path) is not None


def whole_job() -> dict[str, Any]:
    """A job with a reading, as it is exported."""
    at = "2026-05-01T10:00:00+00:00"
    reading = Reading(1, None, at, f"{7:064x}", "0.1.0", {}, Conditions(), measurement(), None)
    job = Job("deck", at, (Entry(1, at, "machine", MACHINE),), (reading,))
    made: dict[str, Any] = json.loads(job_to_bytes(job))
    return made


def spots(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Ways to every value inside."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(spot for key, each in inner for spot in spots(each, (*way, key)))]


JOB = whole_job()
SPOTS = [way for way in spots(JOB) if way]


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(SPOTS), st.one_of(JSON, st.sampled_from([LONG, DEEP, "1e999", -1, 2**70])))
def test_a_job_with_one_value_changed(way: tuple[Any, ...], value: Any) -> None:
    data = json.loads(json.dumps(JOB))
    inside = data
    for key in way[:-1]:
        inside = inside[key]
    inside[way[-1]] = value
    job, error = parsed(job_from_bytes, json.dumps(data).encode(), error=ValueError)
    assert error or job_from_bytes(job_to_bytes(job)).name == job.name


@given(st.one_of(st.binary(max_size=60), st.sampled_from([b"[" * 100_000, b'{"a":' * 50_000, LONG.encode()])))
def test_anything_as_a_job(content: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        job_from_bytes(content)
