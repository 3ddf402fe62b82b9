"""A camera's clock as it was found, as text."""

from __future__ import annotations

from pathlib import Path

from rich.text import Text

from strobe.measurement import ClockCalibration
from strobe.report.sheet import Sheet
from strobe.report.words import MOST_RATE_DECIMALS, rounded

__all__ = ["calibration_text"]

_SECONDS_A_DAY_PER_PPM = 0.0864


def calibration_text(found: ClockCalibration, *, camera: str | None, kept_in: Path | None, asked_to_keep: bool) -> Text:
    """The outcome of a calibration.

    Parameters
    ----------
    found : ClockCalibration
    camera : str or None
        The camera's name.
    kept_in : Path or None
        The file that it was written to.
    asked_to_keep : bool
        Whether that was wanted.

    Returns
    -------
    rich.text.Text
        Lines of at most 80 columns.
    """
    sheet = Sheet()
    spread = found.uncertainty_ppm
    decimals = min(rounded(spread), 2)
    error = found.rate_error_ppm
    way = "fast" if error > 0 else "slow"
    answer = f"{abs(error):.{decimals}f} ppm {way} (±{spread:.{decimals}f})"
    a_day = abs(error) * _SECONDS_A_DAY_PER_PPM
    sheet.row("CLOCK", f"{answer}; {a_day:.2g} s a day", strong=True)
    flash_spread = found.flash_rate_uncertainty_hz
    places = rounded(flash_spread, most_decimals=MOST_RATE_DECIMALS)
    sheet.row(
        "SEEN",
        f"{found.path}, {found.duration_s:.1f} s at {found.frame_rate_hz:.4g} pictures a second",
        f"lamp at {found.flash_rate_hz:.{places}f} (±{flash_spread:.{places}f}) flashes a second by this clock, "
        f"flicker ±{found.modulation_percent:.2g} %",
    )
    lamp = f"lamp of {found.lamp_hz:.9g} flashes a second, good to ±{found.lamp_uncertainty_ppm:g} ppm"
    if found.lamp_uncertainty_given:
        sheet.row("KNOWN", lamp)
    else:
        sheet.row("ASSUMED", f"{lamp} as a quartz is (--lamp-uncertainty)")
    if found.like_mains and not found.lamp_uncertainty_given:
        sheet.row(
            "BEWARE",
            "Mains lamps flash at about this rate, and they are not exact: off by up to 1000 or 2000 ppm. This "
            "outcome holds only if a quartz or a generator drives the lamp.",
        )
    if not found.improves:
        sheet.row(
            "BEWARE",
            "No better than a camera's clock is known without calibration (50 ppm), so there is nothing to keep. "
            "Film longer, or use a better lamp.",
        )
    elif kept_in is not None:
        sheet.row("KEPT", f"as {camera!r} in {kept_in}", "It holds for this camera, app and frame rate.")
        sheet.row("NEXT", f'strobe measure CLIP --camera "{camera}"', f'strobe config set camera "{camera}"')
    elif not asked_to_keep:
        sheet.row("NEXT", 'Keep it with: --camera "NAME" --keep')
    return sheet.text()
