"""The log on disk: what was confirmed stays, whatever happens; and a job as one file."""

from __future__ import annotations

import dataclasses
import functools
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_report import measurement

from strobe.bench import BenchLog, Conditions, clip_digest, default_log_path, open_log
from strobe.bench.database import SCHEMA_VERSION
from strobe.bench.exchange import job_from_bytes, job_to_bytes, read_job_file
from strobe.bench.packing import pack_series, unpack_series
from strobe.bench.records import LONGEST_TEXT
from strobe.errors import LogUnavailable, UsageError
from strobe.figures import evaluate
from strobe.figures.results import SpeedSeries
from strobe.measurement import Event, Note, Runout
from strobe.report.jobs import job_text

HERE = Path(__file__).parent
NOBODY = 65534
HOSTILE = "<script>alert(1)</script> ' \" ; DROP TABLE job;-- \x1b[2J\u202eevil\x00{{7*7}} ${x} " + "x" * 10_000


@pytest.fixture
def log(tmp_path: Path) -> Iterator[BenchLog]:
    with open_log(tmp_path / "log.sqlite3") as opened:
        yield opened


def sha(number: int) -> str:
    return f"{number:064x}"


def run_python(code: str, *argv: str | Path, check: bool = True) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, argv)], cwd=HERE, capture_output=True, text=True, check=check
    )


def test_a_job_comes_back_as_it_was_filed(log: BenchLog) -> None:
    whole = dataclasses.replace(
        measurement(),
        events=(Event(1.0, "step", 0.2),),
        runout=Runout(0.1, 0.01, 2.0, 0.2, 0.02),
        notes=(Note("n", "±"),),
        verdict={"result": "pass", "checks": [{"limit": 0.2}]},
    )
    log.open_job("deck 1", machine='name = "invented"', reported="slow when cold")
    found = log.file_reading(
        "deck 1", whole, clip_sha256=sha(1), conditions=Conditions(5.0, "mat", "up"), settings={"rpm": "33"}
    )
    assert (found.number, found.state, found.label, found.already) == (1, 0, "as found", False)
    log.note("deck 1", "idler cleaned", repair=True)
    log.note("deck 1", "smells of oil")
    second = log.file_reading("deck 1", whole, clip_sha256=sha(2), conditions=Conditions(platter="bare"))
    assert (second.number, second.state, second.label) == (2, 1, "idler cleaned")
    job = log.job("deck 1")
    assert job.machine == 'name = "invented"'
    assert job.reported == "slow when cold"
    assert [entry.kind for entry in job.entries] == ["machine", "reported", "repair", "remark"]
    assert [[reading.number for reading in state.readings] for state in job.states] == [[1], [2]]
    kept = job.readings[0]
    assert kept.measurement.to_dict() == whole.to_dict()
    assert kept.measurement.dot_pitch_px == whole.dot_pitch_px
    assert kept.settings == {"rpm": "33"}
    assert kept.program_version.startswith("strobe ")
    for name in ("time_s", "angle_rev", "deviation_percent"):
        np.testing.assert_array_equal(getattr(kept.measurement.series, name), getattr(whole.series, name))
    kept_on = Conditions(None, "bare", "up")
    assert job.readings[1].conditions == kept_on, "the unsaid is taken from the reading before, but for the minutes"
    assert job.states[0].speeds_rpm == (100 / 3,)


def test_a_clip_read_again_keeps_its_own_conditions(log: BenchLog) -> None:
    """And not those of another clip that was filed since; minutes that were true of the clip are true still."""
    log.open_job("deck")
    for place, said in enumerate([Conditions(5.0, "mat"), Conditions(40.0, "bare")]):
        log.file_reading("deck", measurement(), clip_sha256=sha(place), conditions=said)
    log.file_reading("deck", measurement(), clip_sha256=sha(0), again=True, conditions=Conditions(stylus="down"))
    assert log.job("deck").readings[-1].conditions == Conditions(5.0, "mat", "down")
    assert log.job("deck").last_conditions == Conditions(40.0, "bare")
    log.file_reading("deck", measurement(), clip_sha256=sha(2))
    assert log.job("deck").last_conditions == Conditions(None, "bare"), "as the newest clip, not the one read last"


def test_a_reading_goes_under_the_repair_that_is_named(log: BenchLog) -> None:
    log.open_job("deck")
    places = [
        log.file_reading("deck", measurement(), clip_sha256=sha(place), after=after).state
        for place, after in enumerate([None, "belt new", "Belt New", "oiled", "belt new", "as found", None])
    ]
    assert places == [0, 1, 1, 2, 1, 0, 2]
    assert [state.label for state in log.job("deck").states] == ["as found", "belt new", "oiled"]


def test_the_same_clip_is_noticed_and_counted_once(log: BenchLog) -> None:
    log.open_job("a")
    log.open_job("b")
    log.file_reading("a", measurement(), clip_sha256=sha(1))
    twice = log.file_reading("a", measurement(), clip_sha256=sha(1), after="oiled")
    assert (twice.already, twice.number, twice.state) == (True, 1, 0)
    assert len(log.job("a").readings) == 1
    assert len(log.job("a").states) == 1, "no repair is noted for a reading that was not filed"
    assert log.file_reading("b", measurement(), clip_sha256=sha(1)).elsewhere == ("a",)
    better = log.file_reading("a", measurement(setup={"dots": 216}), clip_sha256=sha(1), again=True)
    assert (better.already, better.number) == (False, 2)
    job = log.job("a")
    assert [reading.replaced_by for reading in job.readings] == [2, None]
    assert [reading.number for reading in job.states[0].readings] == [2]


def test_a_closed_job_takes_nothing_until_it_is_reopened(log: BenchLog) -> None:
    log.open_job("deck")
    log.close_job("deck")
    for change in (
        lambda: log.note("deck", "x"),
        lambda: log.describe("deck", reported="x"),
        lambda: log.close_job("deck"),
        lambda: log.check_open("deck"),
        lambda: log.file_reading("deck", measurement(), clip_sha256=sha(1)),
    ):
        with pytest.raises(UsageError, match="is closed; open it again"):
            change()
    assert log.jobs()[0].closed_at is not None
    log.reopen_job("deck")
    assert log.job("deck").closed_at is None
    assert log.jobs()[0].closed_at is None
    log.note("deck", "x")
    with pytest.raises(UsageError, match="is open"):
        log.reopen_job("deck")


def test_what_cannot_be_kept_is_a_usage_error(log: BenchLog) -> None:
    log.open_job("deck")
    with pytest.raises(UsageError, match="already"):
        log.open_job(" deck ")
    with pytest.raises(UsageError, match=r"no job 'dekc'\. Did you mean 'deck'\? Or open it: strobe job open NAME"):
        log.job("dekc")
    with pytest.raises(UsageError, match="is empty"):
        log.note("deck", " \n ")
    with pytest.raises(UsageError, match=f"{LONGEST_TEXT} are the most"):
        log.note("deck", "x" * (LONGEST_TEXT + 1))
    with pytest.raises(UsageError, match="not TOML"):
        log.describe("deck", machine="name = ")
    with pytest.raises(UsageError, match="give the machine's description"):
        log.describe("deck")
    with pytest.raises(UsageError, match="cannot be called"):
        log.note("deck", "As Found", repair=True)
    with pytest.raises(UsageError, match="platter is 'glass'; it is one of bare, mat, record"):
        Conditions(platter="glass")
    for minutes in (-1, 200_000):
        with pytest.raises(UsageError, match=rf"minutes running is {minutes}; it is 0 to 100000"):
            Conditions(running_min=minutes)


def test_an_earlier_wording_stays_in_the_history(log: BenchLog) -> None:
    log.open_job("deck", reported="wobbles")
    log.describe("deck", reported="wobbles when warm", machine='drive = "belt"')
    job = log.job("deck")
    assert (job.reported, job.machine) == ("wobbles when warm", 'drive = "belt"')
    assert [entry.text for entry in job.entries if entry.kind == "reported"] == ["wobbles", "wobbles when warm"]


def test_hostile_text_is_kept_as_it_is(log: BenchLog) -> None:
    log.open_job(HOSTILE)
    log.note(HOSTILE, HOSTILE, repair=True)
    log.note(HOSTILE, "lone surrogate \ud800 of a file name")
    job = log.job(HOSTILE)
    assert job.name == HOSTILE
    assert job.entries[0].text == HOSTILE
    assert job.entries[1].text == "lone surrogate ? of a file name"
    assert log.check() == ()


def test_settings_of_the_connection(log: BenchLog) -> None:
    pragma = {
        name: log._db.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys")
    }
    assert pragma == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        log._db.execute("INSERT INTO entry (job_id, made_at, kind, text) VALUES (99, '', 'remark', 'x')")


def test_a_failure_half_way_adds_nothing(log: BenchLog, monkeypatch: pytest.MonkeyPatch) -> None:
    log.open_job("deck")

    def fail(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("strobe.bench.store.earlier_conditions", fail)
    with pytest.raises(KeyboardInterrupt):
        log.file_reading("deck", measurement(), clip_sha256=sha(1), after="oiled")
    assert log.job("deck").entries == ()
    assert log.job("deck").readings == ()


@pytest.mark.parametrize("kills", [60, pytest.param(200, marks=pytest.mark.slow)])
def test_killed_at_random_instants_nothing_confirmed_is_missing(tmp_path: Path, kills: int) -> None:
    done = subprocess.run(
        [sys.executable, "killed_writer.py", str(tmp_path), str(kills), "5"],
        cwd=HERE,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["rounds"] == kills
    assert found["lost"] == 0
    assert found["damage"] == []
    assert found["cut"] > 0.75 * kills, "too few writers had confirmed anything before they were killed"
    assert found["confirmed"] > 3 * kills, "too few writes were confirmed"


FILL = """
import resource, sys
from pathlib import Path
from test_report import measurement
from strobe.bench import open_log
from strobe.errors import LogUnavailable
path, most = Path(sys.argv[1]), int(sys.argv[2])
with open_log(path) as log:
    log.open_job("deck")
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
    count = 0
    try:
        while True:
            log.file_reading("deck", measurement(), clip_sha256=f"{count:064x}")
            count += 1
    except LogUnavailable as error:
        print(count, error, sep="|")
    for job in log.jobs():
        assert job.readings == count
"""


def test_a_full_disk_is_a_clear_error_and_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite3"
    count, message = run_python(FILL, path, str(400_000)).stdout.split("|")
    assert int(count) > 5
    assert "no room left on the disk" in message
    assert "nothing that was confirmed is lost" in message
    with open_log(path) as log:
        assert len(log.job("deck").readings) == int(count)
        assert log.check() == ()
        log.file_reading("deck", measurement(), clip_sha256="f" * 64)


READ_ONLY = """
import os, sys
from pathlib import Path
import test_report, strobe.bench.store, strobe.report, strobe.measuring, scipy.interpolate
from strobe.bench import open_log
from strobe.errors import LogUnavailable
path = Path(sys.argv[1])
if os.geteuid() == 0:
    os.setgid(65534)
    os.setuid(65534)
with open_log(path) as log:
    print(len(log.job("deck").entries))
    try:
        log.note("deck", "second")
    except LogUnavailable as error:
        print(error)
try:
    with open_log(path.with_name("new.sqlite3")):
        pass
except LogUnavailable as error:
    print(error)
"""


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX permissions")
@pytest.mark.parametrize("folder_mode", [0o555, 0o777])
def test_a_log_that_may_only_be_read_can_be_read(folder_mode: int) -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "bench"
        folder.mkdir()
        path = folder / "log.sqlite3"
        with open_log(path) as log:
            log.open_job("deck")
            log.note("deck", "first")
        path.chmod(0o444)
        folder.chmod(folder_mode)
        Path(made).chmod(0o755)
        count, message, *new = run_python(READ_ONLY, path).stdout.splitlines()
        folder.chmod(0o755)
        assert count == "1"
        assert "may only be read" in message
        if folder_mode == 0o555:
            assert "cannot be opened or made" in new[0]
        with open_log(path) as log:
            assert len(log.job("deck").entries) == 1


CROWD = """
import sys
from pathlib import Path
from test_report import measurement
from strobe.bench import open_log
path, who = Path(sys.argv[1]), int(sys.argv[2])
for count in range(25):
    with open_log(path) as log:
        if count == 0:
            log.open_job(f"deck {who}")
        log.file_reading(f"deck {who}", measurement(), clip_sha256=f"{who:032x}{count:032x}")
"""


def test_processes_at_once(tmp_path: Path) -> None:
    """Each makes the file if it is the first, opens its own job and files; another makes backups meanwhile."""
    path = tmp_path / "log.sqlite3"
    crowd = [
        subprocess.Popen(
            [sys.executable, "-c", CROWD, str(path), str(who)], cwd=HERE, stderr=subprocess.PIPE, text=True
        )
        for who in range(3)
    ]
    while crowd[0].poll() is None:
        if path.exists():
            with open_log(path) as log:
                log.backup(tmp_path / "copy.sqlite3")
            with open_log(tmp_path / "copy.sqlite3") as copy:
                assert copy.check() == ()
    for each in crowd:
        _, errors = each.communicate()
        assert each.returncode == 0, errors
    with open_log(path) as log:
        assert sorted(job.name for job in log.jobs()) == ["deck 0", "deck 1", "deck 2"]
        assert {job.readings for job in log.jobs()} == {25}
        assert log.check() == ()


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    text, foreign = tmp_path / "notes.txt", tmp_path / "other.sqlite3"
    text.write_text("not a database, only some words that are long enough to be read as a header of one" * 20)
    with sqlite3.connect(foreign) as db:
        db.execute("CREATE TABLE theirs (x)")
    db.close()
    for path in (text, foreign):
        before = path.read_bytes()
        with pytest.raises(LogUnavailable, match="not a bench log"), open_log(path):
            pass
        assert path.read_bytes() == before
    with pytest.raises(LogUnavailable, match="there is none yet"), open_log(tmp_path / "none.sqlite3", must_exist=True):
        pass
    with pytest.raises(LogUnavailable, match="cannot be opened"), open_log(tmp_path):
        pass
    assert not (tmp_path / "none.sqlite3").exists()


def test_a_log_of_a_newer_version_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite3"
    with open_log(path) as log:
        log._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION + 1}")
    with pytest.raises(LogUnavailable, match="newer version of strobe made it"), open_log(path):
        pass


def test_a_damaged_reading_is_named(tmp_path: Path) -> None:
    with open_log(tmp_path / "log.sqlite3") as log:
        log.open_job("deck")
        log.file_reading("deck", measurement(), clip_sha256=sha(1))
        log._db.execute("UPDATE reading SET series = x'4142'")
        with pytest.raises(LogUnavailable, match="reading 1: the series cannot be unpacked"):
            log.job("deck")


def test_backup_is_one_whole_file(log: BenchLog, tmp_path: Path) -> None:
    log.open_job("deck")
    log.file_reading("deck", measurement(), clip_sha256=sha(1))
    target = tmp_path / "backup.sqlite3"
    target.write_text("an older backup")
    log.backup(target)
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.startswith(("backup", "."))) == [
        "backup.sqlite3"
    ]
    with open_log(target) as copy:
        assert copy.job("deck").readings[0].measurement.to_dict() == measurement().to_dict()
    with pytest.raises(UsageError, match="the log itself"):
        log.backup(log.path)
    with pytest.raises(UsageError, match="not an ordinary file"):
        log.backup(tmp_path)
    with pytest.raises(UsageError, match="does not exist"):
        log.backup(tmp_path / "none" / "b.sqlite3")


def test_no_backup_over_a_log_that_was_not_closed(log: BenchLog, tmp_path: Path) -> None:
    """SQLite plays the write-ahead log or the journal of the old file into whatever has its name when it is opened."""
    log.open_job("new")
    target = tmp_path / "copy.sqlite3"
    run_python(
        "import os, sys; from pathlib import Path; from strobe.bench import BenchLog\n"
        "log = BenchLog(Path(sys.argv[1])); log.open_job('old'); os._exit(1)",
        target,
        check=False,
    )
    with pytest.raises(UsageError, match=r"not closed: copy\.sqlite3-wal lies beside it.*strobe job list --log"):
        log.backup(target)
    with open_log(target) as old:
        assert [job.name for job in old.jobs()] == ["old"]
    log.backup(target)
    with open_log(target) as copy:
        assert [job.name for job in copy.jobs()] == ["new"]
    journal = tmp_path / "copy.sqlite3-journal"
    journal.write_bytes(b"half of a change")
    with pytest.raises(UsageError, match=r"copy\.sqlite3-journal lies beside it"):
        log.backup(target)


def test_the_usual_place_is_the_users_data_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_log_path().name == "bench-log.sqlite3"
    if sys.platform == "linux":
        assert default_log_path() == tmp_path / "strobe" / "bench-log.sqlite3"


def test_digest_is_of_the_bytes(tmp_path: Path) -> None:
    """SHA-256 of "abc": FIPS 180-4, example of appendix B.1 (value from memory)."""
    path = tmp_path / "clip"
    path.write_bytes(b"abc")
    assert clip_digest(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@settings(max_examples=50, deadline=None)
@given(st.integers(14, 400), st.integers(0, 2**32 - 1))
def test_series_come_back_bit_for_bit(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    angle = np.cumsum(rng.uniform(0.01, 0.02, count))
    series = SpeedSeries(np.arange(count) / 30 + rng.uniform(0, 9), angle, rng.standard_normal(count))
    found = unpack_series(pack_series(series), count)
    for name in ("time_s", "angle_rev", "deviation_percent"):
        np.testing.assert_array_equal(getattr(found, name), getattr(series, name))
    with pytest.raises(ValueError, match="samples that it should"):
        unpack_series(pack_series(series), count + 1)


def even_series(count: int) -> SpeedSeries:
    return SpeedSeries(np.arange(count) / 60, np.arange(count) / 108, np.zeros(count))


@pytest.mark.parametrize("closer", [1.0, 1.09])
def test_the_shortest_reading_can_be_filed(log: BenchLog, closer: float) -> None:
    """Figures take 16 samples, up to a tenth closer than stated; the series holds the steps between them."""
    time = 0.25 * np.arange(16) / closer
    figures = evaluate(time, time / 1.8, nominal_rpm=100 / 3, angle_noise_rev=1e-6, frame_interval_s=0.25)
    log.open_job("deck")
    log.file_reading("deck", dataclasses.replace(measurement(), series=figures.series), clip_sha256=sha(1))
    assert log.job("deck").readings[0].measurement.series.time_s.size == figures.series.time_s.size < 16


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"series": even_series(300_001)}, "series has 300001 samples; 14 to 300000 can be"),
        ({"dot_pitch_px": float("inf")}, "dot_pitch_px is inf"),
    ],
)
def test_what_could_not_be_read_back_is_not_filed(log: BenchLog, changes: dict[str, Any], message: str) -> None:
    log.open_job("deck")
    with pytest.raises(LogUnavailable, match=message):
        log.file_reading("deck", dataclasses.replace(measurement(), **changes), clip_sha256=sha(1), after="belt new")
    job = log.job("deck")
    assert (job.readings, job.entries) == ((), ())
    log.file_reading("deck", dataclasses.replace(measurement(), series=even_series(300_000)), clip_sha256=sha(1))
    assert log.job("deck").readings[0].measurement.series.time_s.size == 300_000


def whole_job(log: BenchLog) -> bytes:
    log.open_job("deck", machine='name = "x"', reported="wobbles")
    log.file_reading(
        "deck", measurement(), clip_sha256=sha(1), conditions=Conditions(2.0, "bare", "up", "centre", "lamp")
    )
    log.note("deck", "oiled", repair=True)
    log.file_reading("deck", measurement(), clip_sha256=sha(2), settings={"rpm": 33})
    log.file_reading("deck", measurement(), clip_sha256=sha(2), again=True)
    log.close_job("deck")
    return job_to_bytes(log.job("deck"))


def test_a_job_goes_through_its_file_unchanged(log: BenchLog, tmp_path: Path) -> None:
    content = whole_job(log)
    path = tmp_path / "deck.json"
    path.write_bytes(content)
    with open_log(tmp_path / "other.sqlite3") as other:
        other.open_job("first")
        other.note("first", "shifts the ids", repair=True)
        other.add_whole_job(read_job_file(path), name="deck")
        assert job_to_bytes(other.job("deck")) == content
        with pytest.raises(UsageError, match="already; import under another name"):
            other.add_whole_job(read_job_file(path), name="deck")
        other.add_whole_job(read_job_file(path), name="deck again")
        assert len(other.jobs()) == 3
        assert other.check() == ()


def broken(content: bytes, *place: str | int, value: Any) -> bytes:
    data = json.loads(content)
    inner = data
    for key in place[:-1]:
        inner = inner[key]
    inner[place[-1]] = value
    return json.dumps(data).encode()


@pytest.mark.parametrize(
    ("place", "value", "message"),
    [
        (("schema",), "strobe.job/2", "schema is not"),
        (("name",), "", "name is empty"),
        (("name",), "x" * (LONGEST_TEXT + 1), "name is not a usable str"),
        (("surplus",), 1, "'surplus' is unknown"),
        (("opened_at",), "yesterday", "no time with its zone"),
        (("opened_at",), "2026-01-01T00:00:00", "no time with its zone"),
        (("entries",), {}, "entries is not a list"),
        (("entries", 0, "kind"), "spell", "kind is none of"),
        (("entries", 0), 7, "entry 1 is not an object"),
        (("entries", 0, "text"), "name =", "description is not TOML"),
        (("readings", 0, "after_entry"), 0, "points at no repair"),
        (("readings", 0, "after_entry"), -1, "points at no repair"),
        (("readings", 0, "number"), 2, "not numbered 1, 2, 3"),
        (("readings", 0, "number"), True, "not a usable int"),
        (("readings", 0, "clip_sha256"), "../../etc", "no SHA-256"),
        (("readings", 2, "clip_sha256"), sha(1), "count the same clip twice"),
        (("readings", 1, "replaced_by"), 1, "not a later one"),
        (("readings", 0, "series"), "!!", "not base64"),
        (("readings", 0, "series"), "AAAA", "cannot be unpacked"),
        (("readings", 0, "sample_count"), 10**8, "can be"),
        (("readings", 0, "settings"), [1], "not a small object"),
        (("readings", 0, "conditions", "platter"), "glass", "platter is 'glass'"),
        (("readings", 0, "conditions", "running_min"), "5", "not a usable float"),
        (("readings", 0, "measurement", "schema"), "x", "its schema is not"),
        (("readings", 0, "measurement", "speed", "mean_rpm"), 1e300, "which no clip gives"),
        (("readings", 0, "measurement", "speed", "mean_rpm"), 0, "between 0.1 and 10000"),
        (("readings", 0, "measurement", "speed"), None, "measurement.speed is not an object"),
        (("readings", 0, "measurement", "setup", "nominal_rpm"), 0, "between 1 and 1000"),
        (("readings", 0, "measurement", "fluctuation", "band_hz"), [5, 1], "rises from above 0"),
        (("readings", 0, "measurement", "fluctuation", "band_hz"), [1, 2, 3], "3 values, not 2"),
        (("readings", 0, "measurement", "fluctuation", "weighted_peak_percent"), -1, "0 or more"),
        (("readings", 0, "measurement", "components", 0, "frequency_hz"), 0, "above 0"),
        (("readings", 0, "measurement", "verdict"), {"checks": []}, "verdict.result is pass, fail or undecided"),
        (("readings", 0, "measurement", "verdict"), {"result": ["pass"]}, "verdict.result is pass, fail or undecided"),
        (("readings", 0, "measurement", "notes"), ["x"], r"notes\[0\] is not an object"),
    ],
)
def test_hostile_job_files_are_refused_with_the_place(
    log: BenchLog, tmp_path: Path, place: tuple[str | int, ...], value: Any, message: str
) -> None:
    path = tmp_path / "job.json"
    path.write_bytes(broken(whole_job(log), *place, value=value))
    with pytest.raises(UsageError, match=message):
        read_job_file(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "Expecting value"),
        (b"\xff\xfe", "can't decode"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"schema": "strobe.job/1", "schema": "x"}', "stands twice"),
        (b'{"schema": NaN}', "not a number of JSON"),
        (b'{"settings": {"rpm": -1e999}}', "the number -1e999 is too large"),
        (b"[]", "schema is not"),
    ],
)
def test_what_is_no_job_file_is_refused(tmp_path: Path, content: bytes, message: str) -> None:
    path = tmp_path / "job.json"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=message):
        read_job_file(path)


ODD = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=4,
)


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_any_other_value_anywhere_is_taken_or_refused_but_never_a_fault(data: st.DataObject) -> None:
    """One value of a good file, at any depth, replaced by any other: a job that can be compared and shown, or an error
    in words."""
    content = json.loads(good_job())
    inner: Any = content
    while True:
        keys = list(inner) if isinstance(inner, dict) else list(range(len(inner)))
        key = data.draw(st.sampled_from(keys))
        if not (isinstance(inner[key], dict | list) and inner[key] and data.draw(st.booleans())):
            break
        inner = inner[key]
    inner[key] = data.draw(ODD)
    try:
        job = job_from_bytes(json.dumps(content).encode())
    except ValueError:
        return
    assert job_text(job).plain
    assert job_from_bytes(job_to_bytes(job)).name == job.name


@functools.cache
def good_job() -> bytes:
    with tempfile.TemporaryDirectory() as folder, open_log(Path(folder) / "log.sqlite3") as log:
        return whole_job(log)


def test_a_series_that_would_swell_is_refused(log: BenchLog) -> None:
    """10 MB of zeros behind the samples pack into 10 kB; no more is unpacked than the samples need."""
    import base64
    import zlib

    data = json.loads(whole_job(log))
    data["readings"][0]["series"] = base64.b64encode(zlib.compress(bytes(10_000_000))).decode()
    with pytest.raises(ValueError, match="does not hold the 1200 samples"):
        job_from_bytes(json.dumps(data).encode())


def test_series_that_would_swell_together_are_refused(log: BenchLog, monkeypatch: pytest.MonkeyPatch) -> None:
    """Three readings of 1200 samples each: they may be taken, or are one too many."""
    content = whole_job(log)
    monkeypatch.setattr("strobe.bench.exchange.MOST_SAMPLES", 3600)
    assert len(job_from_bytes(content).readings) == 3
    monkeypatch.setattr("strobe.bench.exchange.MOST_SAMPLES", 3599)
    with pytest.raises(ValueError, match="its series hold more than 3599 samples together"):
        job_from_bytes(content)


def test_uneven_or_backward_series_are_refused() -> None:
    series = measurement().series
    uneven = dataclasses.replace(series, time_s=np.append(series.time_s[:-1], 100.0))
    backward = dataclasses.replace(series, angle_rev=-series.angle_rev)
    endless = dataclasses.replace(series, angle_rev=series.angle_rev * 1e6)
    for bad, message in (
        (uneven, "not evenly spaced"),
        (backward, "does not turn forwards"),
        (endless, "by up to 100000 turns"),
    ):
        with pytest.raises(ValueError, match=message):
            unpack_series(pack_series(bad), series.time_s.size)
    with pytest.raises(ValueError, match="no clip gives"):
        unpack_series(pack_series(dataclasses.replace(series, angle_rev=series.angle_rev * np.nan)), series.time_s.size)


def test_a_missing_job_file_is_not_readable(tmp_path: Path) -> None:
    with pytest.raises(LogUnavailable, match="cannot be read"):
        read_job_file(tmp_path / "none.json")


def test_a_job_that_differs_by_case_alone_is_not_opened_beside_another(log: BenchLog) -> None:
    log.open_job("Blue deck")
    said = "'blue DECK' differs from a job that is there by case alone. Did you mean 'Blue deck'. Else give this one"
    with pytest.raises(UsageError, match=said.replace("'.", "'[?]")):
        log.open_job("blue DECK")
    with pytest.raises(UsageError, match="there is a job 'Blue deck' already"):
        log.open_job("Blue deck")
    assert [job.name for job in log.jobs()] == ["Blue deck"]
