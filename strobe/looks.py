"""How everything that is drawn looks: by matplotlib's own defaults, and by nothing in the reader's matplotlibrc.

A matplotlibrc may cut a page to what is on it, draw by hand, leave the paper's white out, or ask for a TeX that is not
there: a sheet would have another size, or none would come.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

__all__ = ["own_looks"]


@contextmanager
def own_looks(settings: Mapping[str, Any] | None = None) -> Iterator[None]:
    """Draw and save inside by the defaults and these `settings` of matplotlib; the reader's own are back afterwards."""
    import matplotlib

    ours: Any = settings or {}
    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(ours)
        yield
