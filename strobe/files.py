"""Files that appear whole or not at all, whatever happens while they are written."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from strobe.errors import UsageError

__all__ = ["whole_file", "write_whole"]


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


def write_whole(path: Path, write: bytes | Callable[[BinaryIO], object]) -> None:
    """Write a file so that it appears whole or not.

    Parameters
    ----------
    path : Path
        The file.
    write : bytes or callable
        The content, or what is given the open binary file to write it.

    Raises
    ------
    UsageError
        If the system will not have it.
    """
    try:
        with whole_file(path) as part, part.open("wb") as file:
            if callable(write):
                write(file)
            else:
                file.write(write)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
