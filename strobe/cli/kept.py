"""What the configuration adds to a measurement, for every command that measures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["CameraOption", "ConfigOption", "KeptValues", "load_kept_values"]

ConfigOption = Annotated[Path | None, typer.Option("--config", metavar="FILE", help="Configuration file to use.")]
CameraOption = Annotated[
    str | None, typer.Option("--camera", metavar="NAME", help="The camera that filmed, if calibrated; or none.")
]


@dataclass(frozen=True)
class KeptValues:
    """What the configuration adds to a measurement: options of `strobe.measure`, and where each value came from."""

    options: Mapping[str, Any] = field(default_factory=dict)
    sources: Mapping[str, str] = field(default_factory=dict)


def load_kept_values(file: Path | None, camera: str | None) -> KeptValues:
    """Read the configuration and pick the camera, the one named or the usual one.

    Raises
    ------
    UsageError
        When the file is wrong or does not know the camera.
    """
    from datetime import date

    from strobe.configuration import load_configuration

    kept = load_configuration(file)
    options: dict[str, Any] = {}
    sources: dict[str, str] = {}
    if kept.mains_hz is not None:
        options["mains_default"] = kept.mains_hz
        sources["mains_hz"] = "configuration"
    known = kept.camera_named(camera)
    if known is not None:
        options["camera_rate_error_ppm"] = known.rate_error_ppm
        options["camera_rate_uncertainty_ppm"] = known.uncertainty_now_ppm(date.today())
        sources["camera"] = f"{known.name}, configuration"
    return KeptValues(options, sources)
