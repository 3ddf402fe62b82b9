"""What runs beside the readout on the terminal: the window with the picture, and the tone."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any, Self

import typer

from strobe.errors import UsageError
from strobe.files import check_target

if TYPE_CHECKING:
    from strobe.live import LiveRun, LiveUpdate
    from strobe.report.picture import SteadyPicture
    from strobe.report.tone import SoundCard, ToneFile
    from strobe.report.window import PictureWindow

__all__ = ["Beside", "ShowOption", "ToneFileOption", "ToneOption"]

ShowOption = Annotated[
    bool, typer.Option("--show", help="Show the picture in a window, the rows outlined; it is kept from flickering.")
]
ToneOption = Annotated[
    bool, typer.Option("--tone", help="Sound it: high is fast, low is slow, unbroken is right, ticks are no figure.")
]
ToneFileOption = Annotated[
    Path | None, typer.Option("--tone-file", metavar="FILE.wav", help="Write that tone to a file instead.")
]


class Beside:
    """Window and tone of one run, as far as they are asked for; a context manager.

    Raises
    ------
    MissingLibrary
        No window can be shown here, or no tone played.
    UsageError
        A tone file that can't be written.
    """

    def __init__(self, *, show: bool, tone: bool, tone_file: Path | None) -> None:
        self._open = ExitStack()
        self._picture: SteadyPicture | None = None
        self._window: PictureWindow | None = None
        self._tones: list[SoundCard | ToneFile] = []
        self._show = show
        if show:
            from strobe.report.window import check_window

            check_window()
        if tone_file is not None:
            from strobe.report.tone import ToneFile

            check_target(tone_file, option="--tone-file", suffixes=(".wav",))
            try:
                self._tones.append(self._open.enter_context(ToneFile(tone_file)))
            except OSError as error:
                raise UsageError(f"--tone-file: {tone_file} can't be written: {error.strerror}") from error
        elif tone:
            from strobe.report.tone import SoundCard

            self._tones.append(self._open.enter_context(SoundCard()))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._open.close()

    def begin(self, full_scale: float) -> None:
        """The source is open, and this is the value of white in its frames: the window comes up."""
        if self._show:
            from strobe.report.picture import SteadyPicture
            from strobe.report.window import PictureWindow

            self._picture = SteadyPicture(full_scale=full_scale)
            self._window = self._open.enter_context(PictureWindow())

    def take(self, frame: Any) -> None:
        """See one more `Frame`."""
        if self._picture is not None:
            self._picture.take(frame.luma, frame.time_s)

    def tell(self, update: LiveUpdate, run: LiveRun) -> str:
        """Show and sound an update; which key was pressed over the window, ``q`` also where it was closed."""
        for tone in self._tones:
            tone.hear(update)
        if self._picture is None or self._window is None:
            return ""
        key = self._window.show(self._picture.picture(update, run.follower.outlines))
        return "q" if self._window.closed else key
