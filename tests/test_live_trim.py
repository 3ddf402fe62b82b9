"""The guided trim: its steps by themselves, and one run rehearsed from end to end with a rendered machine."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest
from live_scenes import LONG_SHUTTER, rendered, turned_scene

from strobe.cli import run as command
from strobe.live.records import LiveUpdate
from strobe.live.trim import CAUTIONS, TrimRun

LOW, HIGH = 100 / 3, 45.0
TO_45 = 35.0


def steady(rpm: float, deviation: float, *, turns: int = 4) -> LiveUpdate:
    return LiveUpdate(
        1.0, "steady", deviation_percent=deviation, uncertainty_percent=0.01, nominal_rpm=rpm, turns=turns
    )


def through(steps: TrimRun, *figures: tuple[float, float]) -> list[str]:
    met = []
    for figure in figures:
        met.append(steps.step)
        steps.take(steady(*figure))
        assert steps.done() == ""
    return met


class TestSteps:
    def test_in_one_round(self) -> None:
        steps = TrimRun(0.1)
        met = through(steps, (LOW, 0.8), (LOW, 0.02), (HIGH, -0.05), (LOW, 0.03), (LOW, -6.1), (LOW, 5.9))
        assert met == ["centre", "low", "high", "low again", "slow stop", "fast stop"]
        assert steps.step == "end"
        report = steps.report()
        assert [one.deviation_percent for one in report.as_found] == [0.8, -0.05]
        assert [one.deviation_percent for one in report.as_left] == [0.03, -0.05]
        assert [one.deviation_percent for one in report.pitch_range] == [-6.1, 5.9]
        assert (report.rounds, report.inside) == (1, True)

    def test_again_until_both_are_inside(self) -> None:
        steps = TrimRun(0.1)
        through(steps, (LOW, 0.8), (LOW, 0.02), (HIGH, 0.05), (LOW, 0.4))
        assert steps.step == "high"
        through(steps, (HIGH, 0.02), (LOW, 0.01))
        assert steps.step == "slow stop"
        assert (steps.report().rounds, steps.report().inside) == (2, True)

    def test_it_gives_up_the_rounds_at_last(self) -> None:
        steps = TrimRun(0.1)
        through(steps, (LOW, 0.8), (LOW, 0.8))
        for _ in range(4):
            assert steps.step == "high"
            through(steps, (HIGH, 0.5), (LOW, 0.8))
        assert steps.step == "slow stop"
        assert not steps.report().inside

    def test_what_is_not_done(self) -> None:
        steps = TrimRun(0.1)
        assert "Not yet" in steps.done()
        steps.take(steady(LOW, 0.1, turns=1))
        assert "Not yet" in steps.done()
        steps.take(steady(HIGH, 0.1))
        assert steps.done() == "33 1/3 is not on."
        through(steps, (LOW, 0.8), (LOW, 0.0))
        steps.take(steady(LOW, 0.0))
        assert steps.done() == "45 is not on."
        steps.take(LiveUpdate(2.0, "lost"))
        assert "Not yet" in steps.done()


def test_a_rehearsed_run_from_end_to_end(tmp_path: Path) -> None:
    """33 1/3 found 0.8 % fast, trimmed; 45 found 0.45 % off, trimmed; 33 1/3 once more."""
    knots = (
        *((0.0, 0.8), (8.0, 0.8), (9.5, 0.03), (18.0, 0.03)),
        *((19.5, TO_45 + 0.6), (29.0, TO_45 + 0.6), (30.0, TO_45 + 0.05), (37.0, TO_45 + 0.05)),
        *((38.5, 0.02), (50.0, 0.02)),
    )
    path = rendered(turned_scene(*knots, seconds=50, camera=LONG_SHUTTER), tmp_path / "trimmed.mp4")
    out, err, kept = StringIO(), StringIO(), tmp_path / "kept.json"
    times = [value for at in (7.5, 17.5, 36.5, 49.0) for value in ("--done-at", str(at))]
    status = command(["trim", str(path), "--pace", "0", "--keep", str(kept), *times], out=out, err=err)
    said = " ".join(out.getvalue().split())
    assert status == 0, out.getvalue()
    assert said.startswith("CAUTION")
    for caution in CAUTIONS:
        assert caution in said
    assert said.index(CAUTIONS[-1]) < said.index("Set the pitch control")
    assert said.index("Trim 33 1/3") < said.index("Switch to 45") < said.index("Switch back to 33 1/3")
    assert max(len(line) for line in out.getvalue().splitlines()) <= 80
    report = json.loads(kept.read_text())
    found = {round(one["nominal_rpm"]): one["deviation_percent"] for one in report["as_found"]}
    left = {round(one["nominal_rpm"]): one["deviation_percent"] for one in report["as_left"]}
    assert found[33] == pytest.approx(0.8, abs=0.03)
    assert found[45] == pytest.approx(100 * (100 / 3 * 1.356 / 45 - 1), abs=0.03)
    assert left[33] == pytest.approx(0.02, abs=0.03)
    assert left[45] == pytest.approx(100 * (100 / 3 * 1.3505 / 45 - 1), abs=0.03)
    assert report["inside"] is True
    assert "both speeds are inside" in said
