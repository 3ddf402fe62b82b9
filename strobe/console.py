"""What every command shares: exit statuses, the two streams, and plain messages for expected errors."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, TextIO

from strobe.errors import ClipUnreadable, LogUnavailable, MissingLibrary, UsageError

if TYPE_CHECKING:
    from rich.text import Text

    from strobe.measurement import Measurement

__all__ = ["ExitStatus", "Surroundings", "progress_bar", "say", "settle", "write_line"]


class ExitStatus(IntEnum):
    """What the shell is told. Of several clips the highest counts: unreadable over refused over measured."""

    MEASURED = 0
    OUTSIDE_LIMITS = 1
    USAGE = 2
    REFUSED = 3
    UNREADABLE = 4
    TOO_UNCERTAIN = 5
    INTERRUPTED = 130
    PIPE_CLOSED = 141


@dataclass(frozen=True)
class Surroundings:
    """The streams that a command writes to, and the measuring function that it calls."""

    out: TextIO
    err: TextIO
    measure: Callable[..., Measurement] | None


def settle(work: Callable[[], ExitStatus], here: Surroundings, *, command: str) -> ExitStatus:
    """Do the work of a command; every expected error becomes one plain message and its exit status."""
    try:
        status = work()
        here.out.flush()
        return status
    except UsageError as error:
        _complain(here.err, f"strobe: {error}\nTry: {command} --help")
        return ExitStatus.USAGE
    except (MissingLibrary, ClipUnreadable, LogUnavailable) as error:
        _complain(here.err, f"strobe: {error}")
        return ExitStatus.UNREADABLE
    except MemoryError:
        here.err.write("strobe: not enough memory for this; close other programs, or export a smaller picture\n")
        return ExitStatus.UNREADABLE
    except KeyboardInterrupt:
        here.err.write("strobe: interrupted\n")
        return ExitStatus.INTERRUPTED
    except BrokenPipeError:
        return ExitStatus.PIPE_CLOSED


def _complain(err: TextIO, message: str) -> None:
    for line in message.split("\n"):
        write_line(err, line)


def say(stream: TextIO, text: Text, *, gap: bool = False) -> None:
    """Print a report, with an empty line before it where another went before."""
    if gap:
        stream.write("\n")
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.plain.encode(encoding)
    except UnicodeEncodeError:
        plain = text.plain.replace("±", "+/-")
        stream.write(plain.encode(encoding, "backslashreplace").decode(encoding) + "\n")
        stream.flush()
        return
    console = _console(stream)
    # Captured, because the console itself would end the process when a pipe is closed.
    with console.capture() as capture:
        console.print(text, soft_wrap=True)
    stream.write(capture.get())
    stream.flush()


def write_line(stream: TextIO, line: str) -> None:
    """Write one line at once, so that a reader of the pipe has it; what might steer a terminal is replaced."""
    from strobe.report.words import printable

    stream.write(printable(line) + "\n")
    stream.flush()


@contextmanager
def progress_bar(err: TextIO, *, label: str) -> Iterator[Callable[[float, float | None], None] | None]:
    """A bar on a terminal, fed with the seconds done and, where known, the seconds in all; else nothing."""
    if not err.isatty():
        yield None
        return
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    with Progress(
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        TaskProgressColumn(),
        console=_console(err),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    ) as progress:
        task = progress.add_task(label, total=None)
        yield lambda done_s, total_s: progress.update(task, completed=done_s, total=total_s)


def _console(stream: TextIO) -> Any:
    from rich.console import Console

    plain = bool(os.environ.get("NO_COLOR"))
    return Console(file=stream, color_system=None if plain else "auto", highlight=False)
