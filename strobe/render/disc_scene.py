"""A printed disc on a turning platter, filmed from above: what is filmed, and where it lies in the picture.

Conventions as in `strobe.render.scene` and `strobe.render.geometry`: azimuth 0 points from the spindle to the camera's
side and grows to the right, which is anticlockwise seen from above; after theta revolutions what was printed at azimuth
a stands at ``a - 2 pi theta``. The index mark is printed at azimuth 0 and bars are centred on it. Paper and record lie
in the plane z = 0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from strobe.render.geometry import View
from strobe.render.lamps import Lamp, Light
from strobe.render.rim import DotRow
from strobe.render.rules import demand, not_negative, positive
from strobe.render.scene import Camera, Coding, Scene, Speed

__all__ = [
    "DiscScene",
    "IndexBlock",
    "OnTop",
    "PagePicture",
    "PaperDisc",
    "PrintedRing",
    "disc_view",
    "on_plane",
    "project_disc",
    "projected",
]

_Floats = NDArray[Any]


@dataclass(frozen=True)
class PrintedRing:
    """One ring of dark bars as wide as the gaps between them."""

    bars: int
    inner_mm: float
    outer_mm: float

    def __post_init__(self) -> None:
        demand(self.bars >= 3, "bars", self.bars, "a ring needs at least three")
        positive(self, ["inner_mm"])
        demand(self.outer_mm > self.inner_mm, "outer_mm", self.outer_mm, f"not beyond inner_mm {self.inner_mm:g}")

    @property
    def middle_mm(self) -> float:
        """Radius half way across."""
        return (self.inner_mm + self.outer_mm) / 2


@dataclass(frozen=True)
class IndexBlock:
    """The one dark block a turn."""

    inner_mm: float
    outer_mm: float
    wide_mm: float = 6.0


@dataclass(frozen=True, eq=False)
class PagePicture:
    """A picture of a printed page that takes the place of rings and index block.

    Attributes
    ----------
    darkness : array of shape (height, width)
        0 for bare paper, 1 for ink; the index mark lies above the centre.
    px_per_mm : float
    centre_px : tuple of float
        Centre of the disc, (x, y) from the upper left corner.
    """

    darkness: _Floats
    px_per_mm: float
    centre_px: tuple[float, float]


@dataclass(frozen=True)
class PaperDisc:
    """The paper on the platter.

    `offset_mm` is how far its centre lies from the spindle's axis, `offset_deg` in which direction: from the index
    mark on, anticlockwise seen from above. A `page` is drawn instead of the rings, which still name what is on it.
    """

    rings: tuple[PrintedRing, ...]
    diameter_mm: float = 190.0
    index: IndexBlock | None = None
    offset_mm: float = 0.0
    offset_deg: float = 0.0
    page: PagePicture | None = None

    def __post_init__(self) -> None:
        demand(len(self.rings) > 0, "rings", self.rings, "a disc needs a ring of bars")
        positive(self, ["diameter_mm"])
        not_negative(self, ["offset_mm"])
        widest = max(ring.outer_mm for ring in self.rings)
        demand(widest <= self.diameter_mm / 2, "diameter_mm", self.diameter_mm, "the rings leave the paper")


@dataclass(frozen=True)
class OnTop:
    """What lies or stands on the disc or before it, and keeps still in the picture.

    Attributes
    ----------
    record_mm, label_mm : float
        Diameters of a record on top and of its label; zero for none.
    tonearm : bool
        Whether a tonearm reaches in from the right.
    covered_deg, covered_at_deg : float
        Width and middle azimuth of a sector that something hides.
    """

    record_mm: float = 0.0
    label_mm: float = 0.0
    tonearm: bool = False
    covered_deg: float = 0.0
    covered_at_deg: float = 180.0

    def __post_init__(self) -> None:
        not_negative(self, ["record_mm", "label_mm", "covered_deg"])
        demand(self.covered_deg <= 350, "covered_deg", self.covered_deg, "must leave something to see")


@dataclass(frozen=True)
class DiscScene:
    """Everything about one clip from above; `refusal` is the code that a right reading is refused with, if it is.

    The camera looks at the spindle's axis at the height of the disc, moved by its `aim_x_mm` to the right and by
    `aim_y_mm` away from the camera, from its `distance_mm` away and `elevation_deg` above the level; 90 is straight
    down. Of the `camera`, elevation, `aim_z_mm` and shake are not used.
    """

    disc: PaperDisc
    speed: Speed
    lamp: Lamp = field(default_factory=Lamp)
    camera: Camera = field(default_factory=Camera)
    coding: Coding = field(default_factory=Coding)
    seconds: float = 10.0
    elevation_deg: float = 60.0
    aim_y_mm: float = 0.0
    platter_mm: float = 300.0
    first_angle_rev: float = 0.0
    on_top: OnTop = field(default_factory=OnTop)
    more_lights: tuple[Light, ...] = ()
    refusal: str | None = None

    def __post_init__(self) -> None:
        demand(
            15 <= self.elevation_deg <= 90, "elevation_deg", self.elevation_deg, "must lie between 15 and 90 degrees"
        )
        demand(self.camera.shake_px == 0, "shake_px", self.camera.shake_px, "the camera above stands on a tripod")
        positive(self, ["seconds", "platter_mm"])
        everywhere = all(light.fall.everywhere for light in self.more_lights)
        demand(everywhere, "more_lights", self.more_lights, "must fall everywhere")

    @cached_property
    def film(self) -> Scene:
        """Speed, light, clock and file as a scene of the rim, which knows of the same things."""
        return Scene(
            rows=(DotRow(self.disc.rings[0].bars),),
            speed=self.speed,
            lamp=self.lamp,
            camera=self.camera,
            coding=self.coding,
            seconds=self.seconds,
            first_angle_rev=self.first_angle_rev,
            more_lights=self.more_lights,
            refusal=self.refusal,
        )


def disc_view(scene: DiscScene) -> View:
    """The camera: x to the right, y away from it, z up, about the middle of the spindle in the disc's plane."""
    camera = scene.camera
    tilt, roll = np.radians([scene.elevation_deg, camera.roll_deg])
    ahead = np.array([0.0, np.cos(tilt), -np.sin(tilt)])
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, -np.sin(tilt), -np.cos(tilt)])
    return View(
        place_mm=np.array([camera.aim_x_mm, scene.aim_y_mm, 0.0]) - camera.distance_mm * ahead,
        right=np.cos(roll) * right - np.sin(roll) * down,
        down=np.sin(roll) * right + np.cos(roll) * down,
        ahead=ahead,
        focal_px=camera.focal_px,
        width=camera.width,
        height=camera.height,
    )


def project_disc(
    scene: DiscScene, radius_mm: ArrayLike, azimuth_rad: ArrayLike, z_mm: ArrayLike = 0.0
) -> tuple[_Floats, _Floats]:
    """Picture point (x, y) in pixels of points about the spindle's axis, arrays that fit each other."""
    radius, azimuth, z = np.broadcast_arrays(*(np.asarray(part, float) for part in (radius_mm, azimuth_rad, z_mm)))
    return projected(disc_view(scene), np.stack([radius * np.sin(azimuth), -radius * np.cos(azimuth), z], axis=-1))


def projected(view: View, points: _Floats) -> tuple[_Floats, _Floats]:
    """Picture points (x, y) in pixels of points of shape (n, 3)."""
    apart = points - view.place_mm
    depth = apart @ view.ahead
    x = view.width / 2 + view.focal_px * (apart @ view.right) / depth
    return x, view.height / 2 + view.focal_px * (apart @ view.down) / depth


def on_plane(view: View, scale: int = 1, z_mm: float = 0.0) -> tuple[_Floats, _Floats]:
    """Where pixels of a picture `scale` times as fine meet a level plane, (x, y) in mm; infinity above the horizon."""
    x_px, y_px = np.meshgrid(*((np.arange(n * scale) + 0.5) / scale for n in (view.width, view.height)))
    x, y, z = view.rays(x_px, y_px)
    reach = np.where(z < -1e-9, (z_mm - view.place_mm[2]) / np.minimum(z, -1e-9), np.inf)
    with np.errstate(invalid="ignore"):
        return view.place_mm[0] + reach * x, view.place_mm[1] + reach * y
