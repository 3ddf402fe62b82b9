"""Linear algebra on one thread: the matrices here are small, and threads that wait for shares of them cost the most."""

from __future__ import annotations

from contextlib import ContextDecorator
from threading import Lock
from typing import Any

__all__ = ["one_thread"]


class _OneThread(ContextDecorator):
    """Context manager and decorator; however many use it at once, the last to leave restores what was there before."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._users = 0
        self._limits: Any = None

    def __enter__(self) -> None:
        from threadpoolctl import threadpool_limits

        with self._lock:
            if not self._users:
                self._limits = threadpool_limits(limits=1, user_api="blas")
            self._users += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._users -= 1
            if not self._users:
                self._limits.restore_original_limits()


one_thread = _OneThread()
"""Keeps the libraries under numpy and scipy to one thread."""
