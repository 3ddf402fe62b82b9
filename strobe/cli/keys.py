"""Ctrl-C and the keys of the terminal while a live run goes on."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from strobe.live import LiveRun

__all__ = ["ends_by_hand", "handled"]


def handled(run: LiveRun, key: str, on_key: Callable[[str], object] | None = None) -> None:
    """What a key does: q ends the run, others go to `on_key`."""
    if key and key in "qQ":
        run.stop()
    elif key and on_key is not None:
        on_key(key)


@contextmanager
def ends_by_hand(run: LiveRun, *, on_key: Callable[[str], object] | None = None) -> Iterator[None]:
    """While this lasts, Ctrl-C and the q key end the run in good order; other keys go to `on_key`.

    Ctrl-C once more breaks it off as anywhere else.
    """

    def interrupted(*_: object) -> None:
        signal.signal(signal.SIGINT, signal.default_int_handler)
        run.stop()

    with ExitStack() as undo:
        if threading.current_thread() is threading.main_thread():
            before = signal.signal(signal.SIGINT, interrupted)
            undo.callback(signal.signal, signal.SIGINT, before)
        if sys.stdin is not None and sys.stdin.isatty() and os.name == "posix":
            undo.enter_context(_keys(lambda key: handled(run, key, on_key)))
        yield


@contextmanager
def _keys(told: Callable[[str], object]) -> Iterator[None]:
    """Keys of the terminal, one by one, told as they are pressed; afterwards the terminal is as it was."""
    import select
    import termios
    import tty

    number = sys.stdin.fileno()
    over = threading.Event()

    def listen() -> None:
        while not over.is_set():
            if select.select([number], [], [], 0.1)[0]:
                pressed = os.read(number, 1)
                if not pressed:
                    return
                told(pressed.decode(errors="replace"))

    thread = threading.Thread(target=listen, name="strobe keys", daemon=True)
    before = termios.tcgetattr(number)
    try:
        tty.setcbreak(number)
        thread.start()
        yield
    finally:
        # First of all: a second Ctrl-C may come while the thread is waited for.
        termios.tcsetattr(number, termios.TCSADRAIN, before)
        over.set()
        if thread.is_alive():
            thread.join()
