"""Files that appear whole or not at all, whatever happens while they are written; small text files read with care."""

from __future__ import annotations

import errno
import os
import re
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from strobe.errors import UsageError, nearest

__all__ = ["CLIP_SUFFIXES", "check_target", "nearest_file", "read_text", "toml_table", "whole_file", "write_whole"]

CLIP_SUFFIXES = (".mp4", ".mov", ".m4v", ".mkv", ".avi", ".webm", ".3gp", ".mts", ".m2ts", ".mpg")
"""What the name of a clip ends in."""
_COMMA = re.compile(r"=\s*[-+]?\d+,\d")
"""Where TOML asks for one number: a comma between its digits."""
_LOG_BEGINS = b"SQLite format 3\0"
"""The first bytes of a database (file format of SQLite, section 1.3)."""
MOST_TEXT_BYTES = 256_000
"""Far more than anybody writes by hand into a description or a configuration."""


@contextmanager
def whole_file(path: Path, *, lasting: bool = False) -> Iterator[Path]:
    """Gives the name of a temporary neighbour to write, which takes the file's place at the end.

    Parameters
    ----------
    path : Path
        The file; a symbolic link keeps pointing where it does. The neighbour is hidden and has the same suffix.
    lasting : bool
        Whether the disk has to have it before it takes the file's place, for what must outlive a power cut.

    Raises
    ------
    OSError
        If the system will not have it. Then, and on any other exception from within, Ctrl-C included, the neighbour is
        gone and the file is as it was.
    """
    target = path.resolve()
    part = target.with_name(f".{target.stem}.{os.getpid()}.part{target.suffix}")
    try:
        yield part
        if lasting:
            with part.open("r+b") as file:
                os.fsync(file.fileno())
        if target.exists():
            part.chmod(target.stat().st_mode & 0o777)
        os.replace(part, target)
    finally:
        part.unlink(missing_ok=True)


def check_target(path: Path, *, option: str, suffixes: Sequence[str] = (), over_log: bool = False) -> None:
    """Refuse a file that could not be written, or must not be, before anything is worked out for it.

    What a person names for a report is replaced, as command lines do; a clip or a log that is there never is.

    Parameters
    ----------
    path : Path
        The file, which may be there already.
    option : str
        What named it, for the message.
    suffixes : sequence of str
        Of which it must have one, upper case or lower; any will do where there are none.
    over_log : bool
        Whether a log may be replaced, as an older backup is by a newer.

    Raises
    ------
    UsageError
        If its suffix is another, its folder does not exist, a clip, a log or something other than an ordinary file has
        that name, or the system will not have such a name.
    """
    if suffixes and path.suffix.lower() not in suffixes:
        ends = repr(path.suffix) if path.suffix else "nothing"
        *others, last = suffixes
        raise UsageError(
            f"{option}: {path} ends in {ends}; end it in {', '.join(others)}{' or ' if others else ''}{last}"
        )
    try:
        ordinary = stat.S_ISREG(path.stat().st_mode)
    except (FileNotFoundError, NotADirectoryError):
        ordinary = True
    except OSError as error:
        raise UsageError(f"{option}: {path} cannot be written: {error.strerror or error}; name another file") from error
    if not ordinary:
        raise UsageError(f"{option}: {path} is not an ordinary file; name a file to write")
    if kept := _never_replaced(path, over_log=over_log):
        raise UsageError(f"{option}: {path} is a {kept} that is there already and is never replaced; name another file")
    if not os.path.isdir(os.path.dirname(os.path.realpath(path))):
        raise UsageError(f"{option}: the folder {path.parent} does not exist; make it first, or name another")


def _never_replaced(path: Path, *, over_log: bool) -> str:
    """What a file is that no report may take the place of; empty where one may, or it is not there."""
    if not path.exists():
        return ""
    if path.suffix.lower() in CLIP_SUFFIXES:
        return "clip"
    try:
        with path.open("rb") as file:
            return "" if over_log or file.read(len(_LOG_BEGINS)) != _LOG_BEGINS else "bench log"
    except OSError:
        return ""


def write_whole(path: Path, write: bytes | Callable[[BinaryIO], object], *, lasting: bool = False) -> None:
    """Write a file so that it appears whole or not.

    Parameters
    ----------
    path : Path
        The file.
    write : bytes or callable
        The content, or what is given the open binary file to write it.
    lasting : bool
        As for `whole_file`.

    Raises
    ------
    UsageError
        If the system will not have it.
    """
    try:
        with whole_file(path, lasting=lasting) as part, part.open("wb") as file:
            if callable(write):
                write(file)
            else:
                file.write(write)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error


def nearest_file(path: str | Path, suffixes: Sequence[str]) -> str | None:
    """The path in the same folder whose name comes nearest to one that is not there; None where none is near.

    A file must have one of the suffixes, upper case or lower, and a folder will do. Names are held against each other
    without their suffixes, which alone make short ones look alike.
    """
    folder, name = os.path.split(os.fspath(path).rstrip("/" + os.sep))
    try:
        with os.scandir(folder or os.curdir) as there:
            names = [one.name for one in there if one.name.lower().endswith(tuple(suffixes)) or one.is_dir()]
    except OSError:
        return None
    stems: dict[str, list[str]] = {}
    for one in sorted(names):
        if one != name and not one.startswith("."):
            stems.setdefault(os.path.splitext(one)[0], []).append(one)
    stem = nearest(os.path.splitext(name)[0], stems)
    if stem is None:
        return None
    return os.path.join(folder, nearest(name, stems[stem]) or stems[stem][0])


def read_text(path: Path) -> str:
    """The text of a file that a person wrote, without the byte order mark that some editors put before it.

    Raises
    ------
    OSError
        If it cannot be read, is no ordinary file (the null device is an empty one), or is larger than such a file is.
    UnicodeDecodeError
        If it is not UTF-8.
    """
    if str(path) == os.devnull:
        return ""
    kind = path.stat().st_mode
    if not (stat.S_ISREG(kind) or stat.S_ISDIR(kind)):
        raise OSError(errno.EINVAL, "it is not an ordinary file")
    with path.open("rb") as file:
        content = file.read(MOST_TEXT_BYTES + 1)
    if len(content) > MOST_TEXT_BYTES:
        raise OSError(errno.EFBIG, f"it is larger than {MOST_TEXT_BYTES // 1000} kB")
    return content.decode("utf-8-sig").replace("\r\n", "\n")


def toml_table(text: str) -> dict[str, Any]:
    """The table of a TOML text.

    Raises
    ------
    ValueError
        If it is no TOML, nested too deeply, or holds a number with too many digits.
    """
    import tomllib

    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"at line (\d+)", str(error))
        line = text.splitlines()[int(place[1]) - 1] if place else ""
        raise ValueError(f"{error}{'; use a point for decimals' * bool(_COMMA.search(line))}") from None
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
