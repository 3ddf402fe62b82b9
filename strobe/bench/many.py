"""Many clips: found in folders, measured by several processes, one bad clip never stopping the rest."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import active_children, get_context, parent_process
from pathlib import Path
from typing import Any

from strobe.errors import ClipUnreadable, Refused, UsageError
from strobe.files import CLIP_SUFFIXES
from strobe.measurement import Measurement, Refusal

__all__ = ["Outcome", "Progress", "clips_in", "measure_many", "measure_one"]

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
MOST_WORKERS = 61
"""Processes at once: as many as `ProcessPoolExecutor` takes on Windows (Python's documents), and more than a bench's
computer has cores."""

Progress = Callable[[float, float | None], None]
Measure = Callable[..., Measurement]


@dataclass(frozen=True, eq=False)
class Outcome:
    """What became of one clip: exactly one of the three is there."""

    clip: str
    measurement: Measurement | None = None
    refusal: Refusal | None = None
    unreadable: str | None = None


def clips_in(paths: Sequence[str]) -> tuple[str, ...]:
    """The paths, with every folder replaced by the clips in it, by name; hidden files are left out.

    Raises
    ------
    UsageError
        If a folder holds no clip, or may not be looked into.
    """
    found: list[str] = []
    for path in paths:
        if not os.path.isdir(path):
            found.append(path)
            continue
        try:
            names = sorted(os.listdir(path))
        except OSError as error:
            raise UsageError(f"the folder {path} cannot be looked into: {error.strerror}; name its clips") from error
        inside = [
            str(Path(path, name))
            for name in names
            if name.lower().endswith(CLIP_SUFFIXES) and not name.startswith(".") and os.path.isfile(Path(path, name))
        ]
        if not inside:
            raise UsageError(f"the folder {path} holds no clip; clips end in {' '.join(CLIP_SUFFIXES)}")
        found += inside
    return tuple(found)


def measure_one(measure: Measure, clip: str, options: Mapping[str, Any], progress: Progress | None = None) -> Outcome:
    """Measure one clip; a refusal or a file that cannot be read is an outcome, anything else is raised."""
    try:
        return Outcome(clip, measurement=measure(clip, **options, progress=progress))
    except Refused as refused:
        return Outcome(clip, refusal=Refusal(clip, refused.code, refused.message, refused.advice))
    except ClipUnreadable as error:
        return Outcome(clip, unreadable=str(error))


def measure_many(
    clips: Sequence[str],
    *,
    options: Mapping[str, Any],
    workers: int = 1,
    measure: Measure | None = None,
    progress: Progress | None = None,
) -> Iterator[Outcome]:
    """Measure clips one by one or by several processes at once; the outcomes come in the order of the clips.

    Parameters
    ----------
    clips : sequence of str
    options : mapping
        Keyword arguments of `strobe.measure`.
    workers : int
        Processes; 1 measures in this one.
    measure : callable, optional
        Takes the place of `strobe.measure`; with several workers it must be picklable.
    progress : callable, optional
        With one clip told the seconds done and in all; with several, the clips done and in all.

    Raises
    ------
    UsageError
        If an option makes no sense.
    """
    if not 1 <= workers <= MOST_WORKERS:
        raise UsageError(f"--workers: {workers} is not a number from 1 to {MOST_WORKERS}")
    if measure is None:
        from strobe.measuring import measure as measure_file

        measure = measure_file
    if workers == 1 or len(clips) == 1:
        for place, clip in enumerate(clips):
            yield measure_one(measure, clip, options, _share(progress, place, len(clips)))
        return
    yield from _by_processes(clips, options, min(workers, len(clips)), measure, progress)


def _share(progress: Progress | None, place: int, count: int) -> Progress | None:
    if progress is None or count == 1:
        return progress
    return lambda done_s, total_s: progress(place + (done_s / total_s if total_s else 0.0), count)


def _by_processes(
    clips: Sequence[str], options: Mapping[str, Any], workers: int, measure: Measure, progress: Progress | None
) -> Iterator[Outcome]:
    outcomes: dict[int, Outcome] = {}
    given = 0
    left = dict(enumerate(clips))
    others = set(active_children())
    pool = _pool(workers)
    try:
        with _one_thread_each():
            futures: dict[Future[Outcome], int] = {
                pool.submit(measure_one, measure, clip, options): place for place, clip in left.items()
            }
        for future in as_completed(futures):
            try:
                outcomes[futures[future]] = future.result()
            except BrokenProcessPool:
                break
            del left[futures[future]]
            if progress is not None:
                progress(len(outcomes), len(clips))
            while given in outcomes:
                yield outcomes[given]
                given += 1
    except BaseException:
        # The interpreter would wait at its end until the clips at hand are done.
        for worker in set(active_children()) - others:
            worker.terminate()
        raise
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
    # A decoder that takes its whole process down takes the pool along: what is left runs alone, each in its own.
    for place, clip in left.items():
        outcomes[place] = _alone(measure, clip, options)
        if progress is not None:
            progress(len(outcomes), len(clips))
    for place in range(given, len(clips)):
        yield outcomes[place]


def _alone(measure: Measure, clip: str, options: Mapping[str, Any]) -> Outcome:
    with _pool(1) as pool:
        try:
            with _one_thread_each():
                future = pool.submit(measure_one, measure, clip, options)
            return future.result()
        except BrokenProcessPool:
            return Outcome(clip, unreadable="the decoder ended the whole process on it; the file is damaged")


def _pool(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=_follow_the_parent)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes started meanwhile do their linear algebra in one thread; several would only wait for each other."""
    unset = [name for name in _THREADS if name not in os.environ]
    os.environ.update(dict.fromkeys(unset, "1"))
    try:
        yield
    finally:
        for name in unset:
            del os.environ[name]


def _follow_the_parent() -> None:
    """Leave interrupts to the parent, and end with it, which else goes unnoticed where it is killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    assert parent is not None, "this runs in the processes of a pool"

    def end_with_it() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=end_with_it, name="strobe parent", daemon=True).start()
