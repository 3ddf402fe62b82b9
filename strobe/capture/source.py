"""What every source of frames offers, be it a file, a camera or a stream."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import Protocol, Self, runtime_checkable

from strobe.capture.records import ClipTally, Frame, SourceFacts

__all__ = ["FrameSource"]


@runtime_checkable
class FrameSource(Protocol):
    """A context manager and an iterator of `Frame`, once through.

    The end of the frames is the end of iteration, never a value. A source is open from the moment it exists, knows its
    facts from the start, can say at any time what it has counted, and lets go of its device when it is closed; closing
    twice does no harm, and frames already given stay valid. After closing, iteration raises `UsageError`.
    """

    @property
    def facts(self) -> SourceFacts:
        """What is known of the source."""

    def tally(self) -> ClipTally:
        """Counts over the frames given so far."""

    def close(self) -> None:
        """Release the file or device."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    def __iter__(self) -> Iterator[Frame]: ...

    def __next__(self) -> Frame: ...
