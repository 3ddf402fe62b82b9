"""The linear algebra keeps to one thread while a clip is measured, and is then as it was."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from strobe.capture import open_clip
from strobe.errors import Refused
from strobe.live import LiveOptions, LiveRun
from strobe.measuring.threads import one_thread


def threads() -> set[int]:
    """Of every library of linear algebra; one that is built for one thread, as old OpenCV brings it, keeps to that."""
    return {library["num_threads"] for library in threadpool_info() if library["user_api"] == "blas"}


def test_the_last_to_leave_restores_what_was_there() -> None:
    with threadpool_limits(limits=2, user_api="blas"):
        before = threads()
        one_thread.__enter__()
        one_thread.__enter__()
        assert threads() == {1}
        one_thread.__exit__()
        assert threads() == {1}
        one_thread.__exit__()
        assert threads() == before
        assert 2 in before


def test_a_refusal_restores_it_too() -> None:
    @one_thread
    def refuse() -> None:
        assert threads() == {1}
        raise Refused("too-short", "One frame.", "Film longer.")

    with threadpool_limits(limits=2, user_api="blas"):
        before = threads()
        with pytest.raises(Refused):
            refuse()
        assert threads() == before
        assert 2 in before


@pytest.mark.parametrize("whole", [True, False])
def test_a_live_run_keeps_to_it_until_it_ends_or_is_left(write_clip: Callable[..., Path], whole: bool) -> None:
    clip = write_clip("clip.mp4", frames=60)
    with threadpool_limits(limits=2, user_api="blas"):
        before = threads()
        with LiveRun(open_clip(clip), LiveOptions(), pace=0) as run:
            updates = iter(run)
            next(updates)
            assert threads() == {1}
            if whole:
                assert list(updates)
            del updates
        assert threads() == before
        assert 2 in before
