"""Light: how the intensity of a lamp runs over time, and where, when and in what colour it falls.

Conventions: true time in seconds; a lamp's own mean intensity is 1; colours are linear levels of red, green
and blue that white paper shows, 1 = as bright as the camera's `brightness` says.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.render.rules import demand, not_negative, positive

__all__ = ["Fall", "Lamp", "Light"]

_Floats = NDArray[np.float64]


_FASTEST_DRIFT_PER_S = 1e-3
"""In the longest clip, of a minute or two, a lamp's rate changes by a tenth at the most, and never turns back; far more
than any mains does; our own choice."""


@dataclass(frozen=True)
class Lamp:
    """The light, as a periodic intensity of mean 1 plus the steady `ambient` light.

    Attributes
    ----------
    kind : {'pulse', 'half-sine', 'sine', 'steady', 'half-wave', 'fluorescent'}
        Rectangular flashes, rectified sine, shallow sine (a filament), no flicker, one lobe of a sine in each
        cycle (a neon electrode or an LED behind a diode), or rectified sine over a glow that never goes out.
    flash_rate_hz : float
        True flashes a second: twice the mains frequency for most lamps, the mains frequency itself for one
        that is lit by one half of the cycle, and anything for an LED that is dimmed by pulses.
    duty : float
        Share of the time that a pulse is lit.
    modulation : float
        (max - min) / (max + min) of the sine.
    ambient : float
        Steady light as a share of the lamp's mean.
    phase_cycles : float
        A flash peaks at true time zero when this is zero.
    glow : float
        Share of a fluorescent lamp's mean that does not flicker.
    odd_even : float
        By what share every other flash of a fluorescent lamp is stronger and the next one weaker, which gives a
        line at half the flash rate.
    rate_drift_per_s : float
        By what share of `flash_rate_hz`, the rate at true time zero, it rises in a second, as the mains' does.
    """

    kind: Literal["pulse", "half-sine", "sine", "steady", "half-wave", "fluorescent"] = "pulse"
    flash_rate_hz: float = 100.0
    duty: float = 0.1
    modulation: float = 0.1
    ambient: float = 0.05
    phase_cycles: float = 0.0
    glow: float = 0.5
    odd_even: float = 0.02
    rate_drift_per_s: float = 0.0

    def __post_init__(self) -> None:
        kinds = ("pulse", "half-sine", "sine", "steady", "half-wave", "fluorescent")
        demand(self.kind in kinds, "kind", self.kind, f"must be one of {kinds}")
        positive(self, ["flash_rate_hz"])
        demand(0 < self.duty < 1, "duty", self.duty, "must lie between 0 and 1")
        for name in ("modulation", "glow", "odd_even"):
            demand(0 <= getattr(self, name) <= 1, name, getattr(self, name), "must lie between 0 and 1")
        not_negative(self, ["ambient"])
        drift = self.rate_drift_per_s
        demand(
            abs(drift) <= _FASTEST_DRIFT_PER_S, "rate_drift_per_s", drift, f"at most {_FASTEST_DRIFT_PER_S} each way"
        )

    def _cycles(self, time_s: ArrayLike) -> _Floats:
        t = np.asarray(time_s, float)
        return t * (1 + self.rate_drift_per_s * t / 2) * self.flash_rate_hz + self.phase_cycles

    def intensity(self, time_s: ArrayLike) -> _Floats:
        """Light at the true times `time_s`, any shape; the lamp's own mean is 1, and flashes that drift keep theirs."""
        x = self._cycles(time_s)
        if self.kind == "pulse":
            lamp = np.where(np.abs(x - np.floor(x + 0.5)) < self.duty / 2, 1 / self.duty, 0.0)
        elif self.kind == "half-sine":
            lamp = np.abs(np.cos(np.pi * x)) * np.pi / 2
        elif self.kind == "sine":
            lamp = 1 + self.modulation * np.cos(2 * np.pi * x)
        elif self.kind == "half-wave":
            lamp = np.maximum(np.cos(2 * np.pi * x), 0) * np.pi
        elif self.kind == "fluorescent":
            turn = 1 + self.odd_even * _alternating(np.floor(x + 0.5))
            lamp = self.glow + (1 - self.glow) * np.abs(np.cos(np.pi * x)) * np.pi / 2 * turn
        else:
            lamp = np.ones_like(x)
        return lamp * (1 + self.rate_drift_per_s * np.asarray(time_s, float)) + self.ambient

    def energy_s(self, time_s: ArrayLike) -> _Floats:
        """Integral of `intensity` from a fixed instant to `time_s`, in closed form, seconds."""
        x = self._cycles(time_s)
        cycle = np.floor(x + 0.5)
        if self.kind == "pulse":
            cycles = cycle + np.clip((x - cycle) / self.duty, -0.5, 0.5)
        elif self.kind == "half-sine":
            cycles = cycle + np.sin(np.pi * (x - cycle)) / 2
        elif self.kind == "sine":
            cycles = x + self.modulation * np.sin(2 * np.pi * x) / (2 * np.pi)
        elif self.kind == "half-wave":
            cycles = cycle + np.sin(2 * np.pi * np.clip(x - cycle, -0.25, 0.25)) / 2
        elif self.kind == "fluorescent":
            lobe = np.sin(np.pi * (x - cycle)) / 2
            sign = _alternating(cycle)
            uneven = (1 - sign) / 2 + sign * (lobe + 0.5)
            cycles = self.glow * x + (1 - self.glow) * (cycle + lobe + self.odd_even * uneven)
        else:
            cycles = x
        return cycles / self.flash_rate_hz + self.ambient * np.asarray(time_s, float)

    def breaks_s(self, start_s: float, end_s: float) -> _Floats:
        """Instants in the span at which the intensity or its slope jumps."""
        offsets = {
            "pulse": (-self.duty / 2, self.duty / 2),
            "half-sine": (0.5,),
            "fluorescent": (0.5,),
            "half-wave": (-0.25, 0.25),
        }.get(self.kind, ())
        first, last = self._cycles([start_s, end_s])
        cycles = np.arange(math.floor(first) - 1, math.ceil(last) + 2)
        times = np.add.outer(cycles, np.asarray(offsets, float)).ravel() - self.phase_cycles
        times /= self.flash_rate_hz
        if self.rate_drift_per_s:
            times = (np.sqrt(1 + 2 * self.rate_drift_per_s * times) - 1) / self.rate_drift_per_s
        return times[(times > start_s) & (times < end_s)]

    def harmonic(self, order: int) -> float:
        """Fourier coefficient of the intensity at `order` times the flash rate (flash at time zero)."""
        if order == 0:
            return 1 + self.ambient
        h = abs(order)
        if self.kind == "pulse":
            return float(np.sinc(h * self.duty))
        if self.kind in ("half-sine", "fluorescent"):
            flickers = 1 - self.glow if self.kind == "fluorescent" else 1
            return flickers * (-1) ** (h + 1) / (4 * h * h - 1)
        if self.kind == "half-wave":
            if h == 1:
                return math.pi / 4
            return (-1) ** (h // 2 + 1) / (h * h - 1) if h % 2 == 0 else 0.0
        return self.modulation / 2 if self.kind == "sine" and h == 1 else 0.0

    def to_dict(self) -> dict[str, Any]:
        """Its fields; those of a fluorescent lamp only for one, and its drift only where there is any."""
        special = ("glow", "odd_even", "rate_drift_per_s")
        names = [name for name in self.__dataclass_fields__ if name not in special]
        names += ["glow", "odd_even"] if self.kind == "fluorescent" else []
        names += ["rate_drift_per_s"] if self.rate_drift_per_s else []
        return {name: getattr(self, name) for name in names}


def _alternating(cycle: _Floats) -> _Floats:
    return 1 - 2 * np.mod(cycle, 2)


@dataclass(frozen=True)
class Fall:
    """Where, when and in what colour a lamp falls.

    Attributes
    ----------
    colour : tuple of float
        Linear red, green and blue of white paper in its light.
    patch_azimuth_rad, patch_width_rad : float
        Middle and width of the part of the rim that it lights, with a soft edge; all that is not rim stays
        dark. A width of zero means that it lights everything.
    on_s, off_s : float
        True times at which it is switched on and off.
    """

    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    patch_azimuth_rad: float = 0.0
    patch_width_rad: float = 0.0
    on_s: float = -math.inf
    off_s: float = math.inf

    def __post_init__(self) -> None:
        demand(len(self.colour) == 3 and min(self.colour) >= 0, "colour", self.colour, "three levels, none negative")
        demand(max(self.colour) > 0, "colour", self.colour, "must not be black")
        not_negative(self, ["patch_width_rad"])
        demand(self.on_s < self.off_s, "on_s, off_s", (self.on_s, self.off_s), "must be in this order")

    @property
    def everywhere(self) -> bool:
        """Whether it lights the scenery as well."""
        return self.patch_width_rad == 0

    def on_rim(self, azimuth_rad: NDArray[Any]) -> NDArray[Any]:
        """Share of its light that reaches points of the rim; zero where the azimuth is NaN."""
        if self.everywhere:
            return np.ones_like(azimuth_rad)
        from_middle = np.abs(azimuth_rad - self.patch_azimuth_rad) / (self.patch_width_rad / 2)
        return np.nan_to_num(1 / (1 + from_middle**8))

    def to_dict(self) -> dict[str, Any]:
        """Its fields as JSON knows them; None for a switch that is never used."""
        return {
            "colour": list(self.colour),
            "patch_azimuth_rad": self.patch_azimuth_rad,
            "patch_width_rad": self.patch_width_rad,
            "on_s": self.on_s if math.isfinite(self.on_s) else None,
            "off_s": self.off_s if math.isfinite(self.off_s) else None,
        }


@dataclass(frozen=True)
class Light:
    """One lamp of a scene: its course, how bright it is beside the camera's `brightness`, and its fall."""

    lamp: Lamp
    share: float = 1.0
    fall: Fall = field(default_factory=Fall)

    def __post_init__(self) -> None:
        positive(self, ["share"])

    def energy_s(self, time_s: ArrayLike) -> _Floats:
        """Integral of `intensity`, switches included, seconds."""
        return self.lamp.energy_s(np.clip(np.asarray(time_s, float), self.fall.on_s, self.fall.off_s))

    def intensity(self, time_s: ArrayLike) -> _Floats:
        """Intensity of the lamp at the true times `time_s`, zero while it is off."""
        t = np.asarray(time_s, float)
        return np.where((t >= self.fall.on_s) & (t < self.fall.off_s), self.lamp.intensity(t), 0.0)

    def breaks_s(self, start_s: float, end_s: float) -> _Floats:
        """Instants in the span at which the intensity or its slope jumps."""
        switches = [at for at in (self.fall.on_s, self.fall.off_s) if start_s < at < end_s]
        return np.concatenate([self.lamp.breaks_s(start_s, end_s), switches])

    def to_dict(self) -> dict[str, Any]:
        """The lamp's fields, its share and its fall."""
        return self.lamp.to_dict() | {"share": self.share} | self.fall.to_dict()
