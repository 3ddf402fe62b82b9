"""What every command shares: exit statuses, the two streams, and plain messages for expected errors."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any, TextIO

from strobe.errors import ClipUnreadable, LogUnavailable, MissingLibrary, UsageError

if TYPE_CHECKING:
    from rich.text import Text

    from strobe.measurement import Measurement

__all__ = ["ExitStatus", "Surroundings", "complain", "progress_bar", "say", "settle", "write_line"]

_WIDTH = 80
"""Columns of what is no terminal, as of every report."""
_HELD = re.compile(
    r"""(?<!\w)'[^']*'(?!\w)|(?<!\w)"[^"]*"(?!\w)"""
    r"|(?<=: )strobe .*?(?=[;,.)] |[.)]?$)|--[a-z][-a-z]* (?:[A-Z]+|[\d.]+)\b"
)
"""What stays on one line where it fits: what is in quotes, a command after a colon up to the next stop, and an option
with its value."""
_NARROWEST = 20
"""Columns that are used on a terminal that has fewer."""


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
        complain(here.err, str(error))
        write_line(here.err, f"Try: {command} --help")
        return ExitStatus.USAGE
    except (MissingLibrary, ClipUnreadable, LogUnavailable) as error:
        complain(here.err, str(error))
        return ExitStatus.UNREADABLE
    except MemoryError:
        here.err.write("strobe: not enough memory; close other programs, or export a smaller picture\n")
        return ExitStatus.UNREADABLE
    except KeyboardInterrupt:
        here.err.write("strobe: interrupted\n")
        return ExitStatus.INTERRUPTED
    except BrokenPipeError:
        return ExitStatus.PIPE_CLOSED


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


def complain(err: TextIO, message: str, *, head: str = "strobe: ") -> None:
    """Write a message after its head, on lines no wider than the terminal, or 80 columns where there is none.

    Names in quotes, commands and single words stay whole, so that they can be copied; a word alone may be wider.
    """
    from rich.cells import cell_len

    width = max(_console(err).width, _NARROWEST) if err.isatty() else _WIDTH
    room = width - len(head)
    if cell_len(message) > len(message):
        room //= 2

    def whole(found: re.Match[str]) -> str:
        return found[0].replace(" ", "\0") if len(found[0]) <= room else found[0]

    lines = textwrap.wrap(_HELD.sub(whole, message), room, break_long_words=False, break_on_hyphens=False) or [""]
    for k, line in enumerate(lines):
        write_line(err, (" " * len(head) if k else head) + line.replace("\0", " "))


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
