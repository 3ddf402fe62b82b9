"""Ctrl-C leaves at once with status 130 and nothing half-written; nothing in the package writes a file otherwise."""

from __future__ import annotations

import ast
import json
import os
import select
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing import active_children
from pathlib import Path
from typing import Any

import pytest
from fuzz_files import make_seeds
from made_scenes import PLAIN_FACTS

import strobe
from strobe.bench.many import measure_many
from strobe.capture import Frame, SourceFacts
from strobe.cli import ExitStatus
from strobe.cli.keys import ends_by_hand
from strobe.files import whole_file, write_whole
from strobe.live import LiveOptions, LiveRun

PACKAGE = Path(strobe.__file__).parent
AT_ONCE_S = 5.0
"""What a person takes for at once, with room for a busy machine; a clip of a minute takes longer."""
STARTS_S = 60.0


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_seeds(tmp_path_factory.mktemp("clips"), ("long.mp4",))["long.mp4"]


def waited_for(holds: Callable[[], object], within_s: float = AT_ONCE_S) -> bool:
    until = time.monotonic() + within_s
    while not holds() and time.monotonic() < until:
        time.sleep(0.005)
    return bool(holds())


def started(*argv: str, folder: Path) -> subprocess.Popen[bytes]:
    """The program in a process of its own, in a group of its own."""
    return subprocess.Popen(
        [sys.executable, "-m", "strobe", *argv],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
        start_new_session=True,
        # Whoever runs the tests in the background may have left the signal ignored, and that is inherited.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
        env=os.environ | {"PYTHONPATH": str(PACKAGE.parent)},
    )


def interrupted(run: subprocess.Popen[bytes], told: signal.Signals = signal.SIGINT) -> tuple[str, str, float]:
    """What it printed from now on, and how long it took to end."""
    began = time.monotonic()
    run.send_signal(told)
    out, err = run.communicate(timeout=STARTS_S)
    return out.decode(), err.decode(), time.monotonic() - began


def writes_a_clip(folder: Path) -> subprocess.Popen[bytes]:
    """The program with a clip begun that takes it minutes to write."""
    run = started("render", "made.mp4", "--seconds", "3000", "--size", "320x180", folder=folder)
    assert waited_for(lambda: list(folder.iterdir()), STARTS_S), "nothing was written"
    return run


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_while_it_measures(clip: Path, tmp_path: Path, workers: str) -> None:
    files = ["--table", "table.csv", "--workers", workers]
    run = started("measure", *[str(clip)] * 400, "--json", *files, folder=tmp_path)
    assert run.stdout is not None
    assert select.select([run.stdout], [], [], STARTS_S)[0], "nothing was printed"
    first = run.stdout.readline().decode()
    out, err, took_s = interrupted(run)
    assert run.returncode == ExitStatus.INTERRUPTED == 130
    assert err == "strobe: interrupted\n"
    assert took_s < AT_ONCE_S
    assert all("schema" in json.loads(line) for line in (first + out).splitlines())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
def test_processes_that_measure_end_with_the_one_that_is_killed(clip: Path, tmp_path: Path) -> None:
    run = started("measure", *[str(clip)] * 400, "--json", "--workers", "2", folder=tmp_path)
    assert run.stdout is not None
    assert select.select([run.stdout], [], [], STARTS_S)[0], "nothing was printed"
    run.kill()
    run.communicate(timeout=STARTS_S)

    def none_left() -> bool:
        try:
            os.killpg(run.pid, 0)
        except ProcessLookupError:
            return True
        return False

    try:
        assert waited_for(none_left)
    finally:
        if not none_left():
            os.killpg(run.pid, signal.SIGKILL)


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_while_it_writes_a_clip(tmp_path: Path, name: str) -> None:
    told = signal.Signals[name]
    run = writes_a_clip(tmp_path)
    _, err, took_s = interrupted(run, told)
    assert (run.returncode, err) == (128 + told, "strobe: interrupted\n" if told == signal.SIGINT else "")
    assert took_s < AT_ONCE_S
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
def test_a_terminal_that_closes_may_say_so_again_and_again(tmp_path: Path) -> None:
    run = writes_a_clip(tmp_path)
    until = time.monotonic() + STARTS_S
    while run.poll() is None and time.monotonic() < until:
        run.send_signal(signal.SIGHUP)
        time.sleep(0.002)
    assert run.communicate(timeout=STARTS_S) == (b"", b"")
    assert run.returncode == 128 + signal.SIGHUP
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="sends a POSIX signal")
@pytest.mark.parametrize("after_s", [0.0, 1.0])
def test_while_a_clip_is_played_it_ends_in_good_order(clip: Path, tmp_path: Path, after_s: float) -> None:
    run = started("live", str(clip), "--json", folder=tmp_path)
    assert run.stdout is not None
    assert select.select([run.stdout], [], [], STARTS_S)[0], "nothing was printed"
    first = json.loads(run.stdout.readline())
    time.sleep(after_s)
    out, err, took_s = interrupted(run)
    assert first["schema"] == "strobe.live/1"
    assert took_s < AT_ONCE_S
    assert json.loads(out.splitlines()[-1])["schema"] in ("strobe.measurement/1", "strobe.refusal/1")
    assert run.returncode in (ExitStatus.MEASURED, ExitStatus.REFUSED)
    assert "Traceback" not in err


class SlowToRead:
    """A file whose next picture takes a while, and which must not be closed meanwhile."""

    facts = SourceFacts(name="slow", **PLAIN_FACTS)

    def __init__(self) -> None:
        self.begun, self.busy, self.closed = threading.Event(), False, False

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        self.busy = True
        self.begun.set()
        time.sleep(0.2)
        self.busy = False
        raise StopIteration

    def close(self) -> None:
        assert not self.busy
        self.closed = True


def test_a_file_is_not_closed_while_its_next_picture_is_read() -> None:
    source = SlowToRead()
    with LiveRun(source, LiveOptions(), pace=1.0):  # type: ignore[arg-type]  # stands in for a source
        assert source.begun.wait(AT_ONCE_S)
    assert source.closed


class Breaks(SlowToRead):
    """A file at whose next picture the library breaks down."""

    def __next__(self) -> Frame:
        self.begun.set()
        raise RuntimeError("the decoder broke down")


@pytest.mark.parametrize("pace", [1.0, 0.0])
def test_what_breaks_down_beside_the_readout_ends_the_run_with_its_own_error(pace: float) -> None:
    source = Breaks()
    # Not typed: the source is a stand-in.
    with pytest.raises(RuntimeError, match="broke down"), LiveRun(source, LiveOptions(), pace=pace) as run:  # type: ignore[arg-type]
        list(run)
    assert source.closed


class Stopped:
    """Stands in for a run, and counts how often it was told to stop."""

    times = 0

    def stop(self) -> None:
        self.times += 1


def pressed(times: int, run: Stopped) -> None:
    with ends_by_hand(run):  # type: ignore[arg-type]  # stands in for a run
        for already in range(times):
            assert run.times == already
            signal.raise_signal(signal.SIGINT)


@pytest.mark.skipif(os.name == "nt", reason="raises a POSIX signal")
def test_ctrl_c_once_more_breaks_off_what_did_not_stop() -> None:
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    run = Stopped()
    try:
        with pytest.raises(KeyboardInterrupt):
            pressed(2, run)
        assert run.times == 1
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Standard input is a terminal; gives the end at which its keys are pressed."""
    import pty

    keyboard, screen = pty.openpty()
    with os.fdopen(screen) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield keyboard
    os.close(keyboard)


@pytest.mark.skipif(os.name == "nt", reason="a POSIX terminal")
def test_keys_are_told_without_enter_and_q_ends_the_run(terminal: int) -> None:
    import termios

    run, pressed = Stopped(), list[str]()
    before = termios.tcgetattr(sys.stdin.fileno())
    with ends_by_hand(run, on_key=pressed.append):  # type: ignore[arg-type]  # stands in for a run
        os.write(terminal, b" sq")
        assert waited_for(lambda: run.times)
    assert pressed == [" ", "s"]
    assert termios.tcgetattr(sys.stdin.fileno()) == before


@pytest.mark.skipif(os.name == "nt", reason="a POSIX terminal and timer")
def test_a_second_ctrl_c_on_the_way_out_leaves_the_terminal_as_it_was(terminal: int) -> None:
    import termios

    def press(*_: object) -> None:
        raise KeyboardInterrupt

    busy, freed = threading.Event(), threading.Event()

    def slow_key(key: str) -> None:
        busy.set()
        freed.wait(AT_ONCE_S)

    def leave() -> None:
        with ends_by_hand(Stopped(), on_key=slow_key):  # type: ignore[arg-type]  # stands in for a run
            os.write(terminal, b"x")
            assert busy.wait(AT_ONCE_S)
            signal.setitimer(signal.ITIMER_REAL, 0.1)

    before = termios.tcgetattr(sys.stdin.fileno())
    old = signal.signal(signal.SIGALRM, press)
    try:
        with pytest.raises(KeyboardInterrupt):
            leave()
        assert termios.tcgetattr(sys.stdin.fileno()) == before
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
        freed.set()
        assert waited_for(lambda: "strobe keys" not in [each.name for each in threading.enumerate()])


def slowly(path: str, **options: Any) -> Any:
    """Stands in for `strobe.measure`, and takes longer than anybody waits."""
    time.sleep(10 * STARTS_S)


@pytest.mark.skipif(os.name == "nt", reason="sets a POSIX timer")
def test_processes_that_measure_are_ended_with_it() -> None:
    def press(*_: object) -> None:
        raise KeyboardInterrupt

    before = set(active_children())
    old = signal.signal(signal.SIGALRM, press)
    try:
        signal.setitimer(signal.ITIMER_REAL, 2.0)
        with pytest.raises(KeyboardInterrupt):
            next(measure_many(["a.mp4", "b.mp4"], options={}, workers=2, measure=slowly))
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, old)
    until = time.monotonic() + AT_ONCE_S
    while set(active_children()) - before and time.monotonic() < until:
        time.sleep(0.02)
    assert set(active_children()) == before


def write_half(path: Path, error: BaseException | type[BaseException]) -> None:
    with whole_file(path) as part:
        part.write_text("half")
        assert part.suffix == path.suffix
        raise error


@pytest.mark.parametrize("there_before", [False, True])
@pytest.mark.parametrize("error", [KeyboardInterrupt, MemoryError, OSError("disk full")])
def test_what_fails_half_way_leaves_all_as_it_was(
    tmp_path: Path, there_before: bool, error: BaseException | type[BaseException]
) -> None:
    path = tmp_path / "reading.csv"
    if there_before:
        path.write_text("old")
    with pytest.raises((KeyboardInterrupt, MemoryError, OSError)):
        write_half(path, error)
    assert [each.name for each in tmp_path.iterdir()] == (["reading.csv"] if there_before else [])
    assert not there_before or path.read_text() == "old"


def test_a_file_is_replaced_where_a_link_points_and_keeps_its_rights(tmp_path: Path) -> None:
    kept = tmp_path / "kept.json"
    kept.write_text("old")
    kept.chmod(0o640)
    link = tmp_path / "link.json"
    link.symlink_to(kept)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert kept.read_bytes() == b"new"
    assert kept.stat().st_mode & 0o777 == 0o640


WRITES_A_PART = {
    "files.py: write_whole",
    "render/clip.py: render_clip",
    "render/clip.py: code_frames",
    "render/clip.py: _ask_for_turn",
    "render/disc.py: render_disc_clip",
    "report/tone.py: __init__",
}
"""Functions that write what `whole_file` gives them; the bench log's own database guards itself."""


def writers() -> Iterator[str]:
    """Every function of the package that opens a file for writing."""
    for path in sorted(PACKAGE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]:
            if any(_opens_for_writing(node) for node in ast.walk(function)):
                yield f"{path.relative_to(PACKAGE).as_posix()}: {function.name}"


def _opens_for_writing(node: ast.AST) -> bool:
    if not isinstance(node, ast.Call):
        return False
    name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
    if name in ("write_text", "write_bytes", "imwrite", "VideoWriter", "tofile", "savez", "touch"):
        return True
    modes = [each.value for each in ast.walk(node) if isinstance(each, ast.Constant) and isinstance(each.value, str)]
    return name == "open" and any(set(mode) <= set("wxarbt+") and set(mode) & set("wxa+") for mode in modes)


def test_nothing_writes_a_file_otherwise() -> None:
    found = set(writers())
    assert found - {"files.py: whole_file"} == WRITES_A_PART
