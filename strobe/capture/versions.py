"""Which decoding libraries are at work here, for a bug report."""

from __future__ import annotations

from strobe.errors import MissingLibrary

__all__ = ["decoder_versions"]


def decoder_versions() -> dict[str, str]:
    """Name to version of the media libraries that PyAV brings along, sorted by name.

    Raises
    ------
    MissingLibrary
        PyAV is not installed.
    """
    try:
        import av
    except ImportError as error:
        raise MissingLibrary("PyAV is not installed; install it with: python -m pip install av") from error
    return {name: ".".join(map(str, numbers)) for name, numbers in sorted(av.library_versions.items())}
