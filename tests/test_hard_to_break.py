"""Short forms of the two studies of what is fed to it: clips that must not be measured, and damaged files."""

from __future__ import annotations

import random
import re
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz_files import Ran, faults_of, mutated
from refusals import DIFFICULT, NOT_TO_MEASURE
from study_refusals import MOST_NEEDLESS, score

ROOT = Path(__file__).parent.parent
CHEAP = (
    *(
        "black",
        "noise",
        "flicker-in-a-room",
        "stripes-swaying",
        "fence-passing-in-a-room",
        "lettering-passing-in-a-room",
    ),
    *("wrong-dots-182", "seconds-0.7", "half-speed"),
)


def test_the_library_is_large_enough_and_its_names_are_its_own() -> None:
    assert len(NOT_TO_MEASURE) >= 40
    assert len(DIFFICULT) >= 40
    names = [trial.name for trial in (*NOT_TO_MEASURE, *DIFFICULT)]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("name", CHEAP)
def test_what_must_not_be_measured_is_refused_rightly(name: str, tmp_path: Path) -> None:
    (trial,) = (each for each in NOT_TO_MEASURE if each.name == name)
    found = score(trial, tmp_path, seed=1)
    assert found.outcome not in ("read", "unreadable"), found.detail
    assert not found.odd, f"{found.outcome}: {found.detail}"


@pytest.mark.slow
def test_the_whole_library(tmp_path: Path) -> None:
    barred = [score(trial, tmp_path, seed=1) for trial in NOT_TO_MEASURE]
    hard = [score(trial, tmp_path, seed=1) for trial in DIFFICULT]
    assert [(one.name, one.detail) for one in (*barred, *hard) if one.wrong] == []
    refused = [(one.name, one.outcome) for one in hard if one.outcome != "read"]
    assert len(refused) <= MOST_NEEDLESS * len(hard), refused


@pytest.mark.skipif(sys.platform != "linux", reason="forks, and limits memory, as Linux does")
def test_damaged_files_end_well() -> None:
    command = [sys.executable, "tests/fuzz_files.py", "--mutants", "40", "--seed", "3", "--traced", "0"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "40 mutants, 0 faults" in done.stdout
    ends = [list(map(int, line.split()[2:5])) for line in done.stdout.splitlines() if re.match(r"\w+\.\w+ ", line)]
    assert all(sum(column) > 0 for column in zip(*ends, strict=True)), "no file was measured, refused or unreadable"


def test_damage_is_damage_and_depends_on_the_seed_alone() -> None:
    data = bytes(range(256)) * 20
    made = [mutated(data, random.Random(seed)) for seed in range(50)]
    assert sum(each != data for each in made) > 45
    assert made == [mutated(data, random.Random(seed)) for seed in range(50)]


def test_every_kind_of_fault_is_seen() -> None:
    good = Ran(3, 0.1, 10**8, '{"schema": "strobe.refusal/1"}\n', "", ())
    assert list(faults_of(good)) == []
    for bad, what in (
        (Ran(-11, 0.1, 10**8, "", "", ()), "crash: ended by signal 11"),
        (Ran(-24, 20.0, 10**8, "", "", ()), "hangs or takes too long"),
        (Ran(1, 0.1, 10**8, "", "Traceback", ()), "exit status 1"),
        (Ran(3, 0.1, 10**8, good.out, "a.py:3: RuntimeWarning: divide by zero", ()), "warning: a.py:3"),
        (Ran(4, 0.1, 10**8, "", "", ()), "unreadable, but not said"),
        (Ran(3, 0.1, 2 * 10**9, good.out, "", ()), "2000 MB"),
        (Ran(0, 0.1, 10**8, "", "", ()), "0 lines on standard output"),
        (Ran(3, 0.1, 10**8, good.out, "", ("socket.connect",)), "touched socket.connect"),
    ):
        assert any(what in fault for fault in faults_of(bad)), what
