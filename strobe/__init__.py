"""Strobe-pattern speed checker for record players: from a phone or webcam clip to speed, wow and flutter.

`measure` takes a clip and gives a `Measurement`, or raises `Refused` where no figure could be trusted; `look` says
what a clip is like as a measuring picture. All names are imported when they are first used, so that importing the
package costs next to nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from strobe.errors import Refused
    from strobe.looking import Look, look
    from strobe.measurement import Measurement
    from strobe.measuring import measure

    __version__: str

__all__ = ["Look", "Measurement", "Refused", "__version__", "look", "measure"]

_HOMES = {
    "Look": "strobe.looking",
    "Measurement": "strobe.measurement",
    "Refused": "strobe.errors",
    "look": "strobe.looking",
    "measure": "strobe.measuring",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("strobe")
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
