"""The window that shows the picture; all of OpenCV's windows that is used is here."""

from __future__ import annotations

import os
import subprocess
import sys
from types import TracebackType
from typing import Any, Self

from strobe.errors import MissingLibrary

__all__ = ["PictureWindow", "check_window"]

_NAME = "strobe live"
_TRY = "import cv2; cv2.namedWindow('strobe'); cv2.waitKey(1)"
_PATIENCE_S = 20.0
"""How long a window may take to open when it is tried: a slow machine takes seconds to load OpenCV; our own choice."""


def check_window() -> None:
    """See whether a window can be opened at all, before a run rests on it.

    Tried in a process of its own, since the libraries beneath end the whole process where there is no screen.

    Raises
    ------
    MissingLibrary
        There is no screen, or OpenCV was built without windows.
    """
    screens = ("DISPLAY", "WAYLAND_DISPLAY")
    without = sys.platform == "linux" and not any(os.environ.get(name) for name in screens)
    if not without:
        try:
            tried = subprocess.run([sys.executable, "-c", _TRY], capture_output=True, timeout=_PATIENCE_S, check=False)
            without = tried.returncode != 0
        except subprocess.TimeoutExpired:
            without = True
    if without:
        raise MissingLibrary(
            "no window can be shown: there is no screen here, or OpenCV was built without windows "
            "(opencv-python-headless). Leave --show out, or install opencv-python and run it on a desktop."
        )


class PictureWindow:
    """A window on the screen; `closed` once somebody has closed it."""

    def __init__(self) -> None:
        self.closed = False

    def __enter__(self) -> Self:
        import cv2

        cv2.namedWindow(_NAME, cv2.WINDOW_NORMAL | cv2.WINDOW_KEEPRATIO)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        import cv2

        cv2.destroyAllWindows()

    def show(self, picture: Any | None) -> str:
        """Show a picture (None leaves the one before), and tell which key was pressed over the window, if any."""
        import cv2

        if picture is not None:
            cv2.imshow(_NAME, picture)
        key = cv2.waitKey(1)
        self.closed = self.closed or cv2.getWindowProperty(_NAME, cv2.WND_PROP_VISIBLE) < 1
        return chr(key & 0xFF) if key >= 0 else ""
