"""A folder watched for clips that arrive in it whole, such as the one that a phone is synchronised with."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from strobe.errors import ClipUnreadable, UsageError
from strobe.files import CLIP_SUFFIXES

__all__ = ["Arrivals"]

BOXED_SUFFIXES = (".mp4", ".mov", ".m4v", ".3gp")
UNFINISHED_PREFIXES = (".", "~", "._")

Size = tuple[int, int]


@dataclass
class _Seen:
    """What was last seen of a file: its size and time of change, since when, and whether it has been handed out."""

    size: Size
    since_s: float
    handed_out: bool


class Arrivals:
    """Hands out every clip of a folder once it has stopped growing.

    Parameters
    ----------
    folder : Path
    present_too : bool
        Whether clips that are there at the start count as arriving.
    still_s : float
        A clip is whole when its size and time of change have stood still for so long, and no part of its container
        reaches beyond the end of the file.
    patience_s : float
        A clip that is not whole, or cannot be read, is given up when it has stood still for so long: until then its end
        may yet come.
    pause_s : float
        Between two looks.
    clock, sleep : callable
        Take the place of the system's.

    Raises
    ------
    UsageError
        If it is no folder.
    ClipUnreadable
        If it can't be looked into, at any time later too.
    """

    def __init__(
        self,
        folder: Path,
        *,
        present_too: bool = False,
        still_s: float = 3.0,
        patience_s: float = 60.0,
        pause_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not os.path.isdir(folder):
            raise UsageError(f"{folder} is no folder; name the one that the clips arrive in")
        self.folder, self.still_s, self.patience_s, self.pause_s = folder, still_s, patience_s, pause_s
        self._clock, self._sleep = clock, sleep
        self._seen: dict[Path, _Seen] = {}
        now = clock()
        for path, size in self._look():
            self._seen[path] = _Seen(size, now, handed_out=not present_too)

    def __iter__(self) -> Iterator[Path]:
        """Every clip that is whole, in the order in which they became so; without end."""
        while True:
            yield from self.ready()
            self._sleep(self.pause_s)

    def ready(self) -> list[Path]:
        """The clips that have become whole since the last look, by name."""
        now = self._clock()
        ready = []
        there = dict(self._look())
        for path in list(self._seen):
            if path not in there:
                del self._seen[path]
        for path, size in there.items():
            known = self._seen.get(path)
            if known is None or known.size != size:
                self._seen[path] = _Seen(size, now, handed_out=False)
            elif not known.handed_out and size[0] > 0:
                rest_s = now - known.since_s
                if rest_s >= self.still_s and (rest_s >= self.patience_s or _ends_with_its_last_box(path)):
                    known.handed_out = True
                    ready.append(path)
        return ready

    def try_later(self, path: Path) -> bool:
        """Hand out a clip again that could not be read; False where it has stood still for too long already."""
        known = self._seen.get(path)
        if known is None or self._clock() - known.since_s > self.patience_s:
            return False
        known.handed_out = False
        return True

    def _look(self) -> list[tuple[Path, Size]]:
        try:
            there = sorted(self.folder.iterdir())
        except OSError as error:
            raise ClipUnreadable(
                f"the folder {self.folder} can be watched no longer: {error.strerror}. Connect it again, and begin anew"
            ) from error
        found = []
        for path in there:
            if path.suffix.lower() in CLIP_SUFFIXES and not path.name.startswith(UNFINISHED_PREFIXES):
                try:
                    state = path.stat()
                except OSError:
                    continue
                found.append((path, (state.st_size, state.st_mtime_ns)))
        return found


def _ends_with_its_last_box(path: Path) -> bool:
    """Whether the boxes of an MP4 or QuickTime file fill it exactly; True for other containers.

    Each box begins with its length in four bytes; 1 means that it stands in the eight after the name, 0 that the box
    goes to the end (ISO/IEC 14496-12, from memory). While a file is being copied in order, its last box is too long.
    """
    if path.suffix.lower() not in BOXED_SUFFIXES:
        return True
    try:
        with path.open("rb") as file:
            end = file.seek(0, 2)
            place = 0
            while place < end:
                file.seek(place)
                head = file.read(16)
                length = int.from_bytes(head[:4], "big")
                if length == 0 and len(head) >= 8:
                    return True
                if length == 1:
                    length = int.from_bytes(head[8:], "big") if len(head) == 16 else 0
                if length < 8:
                    return False
                place += length
            return place == end
    except OSError:
        return False
