"""Follow what stands still through the frames: shift, turn and stretch of the picture to hundredths of a pixel.

Small patches of texture are compared with how they looked while learning. Lamps that flicker light every line of a
rolling shutter differently, so each line of each patch is matched up to a gain and an offset of its own: bands that
roll through the picture move nothing. The patches are followed together: a patch weighs by how steep its texture is,
and one that goes its own way (a reflection, the platter, a passing hand) by next to nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane, decimate, opencv

__all__ = ["PatchTracker", "PictureMotion"]

_HALF = 14
_SIDE = 2 * _HALF + 1
"""Pixels from the middle of a patch to its edge, and its side; by trial."""
_WIDEST_PX = 1280
"""Wider pictures are thinned by whole pixels to about this."""
_MOST_PATCHES, _LEAST_PATCHES, _FEW = 48, 4, 12
"""Patches followed at most and at least (three would just fix a state of six parts), and for a glance; by trial."""
_LEAST_STEEPNESS, _LOOKED_THROUGH = 0.002, 4
"""Share of the steepest place's texture that another must have, and about how many frames are searched for it; by
trial."""
_TILE, _MOST_IN_A_TILE = 160, 4
"""Side in pixels of the tiles that each hold only so many patches, so that they spread; by trial."""
_OFFSET = np.arange(-_HALF, _HALF + 1, dtype=np.float32)
"""Places of a patch's pixels from its middle."""
_ROOM, _SMOOTHING_PX = 8, 1.0
"""Pixels kept around a patch for it to move in, and 1-sigma of the smoothing; by trial."""
_ALIKE_PX = 4 * np.pi * _SMOOTHING_PX**2
"""Pixels over which smoothed noise is alike: the integral of its autocorrelation, a Gaussian of twice the variance."""
_ALL = slice(None)
_SUBSTEPS = 32
"""Places are rounded to what the resampling of OpenCV can do exactly."""
_STEPS, _CLOSE_PX, _LONGEST_STEP_PX = 14, 0.1, 2.0
"""Steps at most, motion of a patch at which they end, and the farthest that a patch moves in one; by trial."""
_CODING_PX = 0.03
"""What video coding moves a patch by, however steep it is."""
_OUTLYING = 9.0
"""Three sigma, squared: so far from the others a patch keeps a quarter of its weight."""
_FOLLOWS, _TEXTURE = 0.3, 0.65
"""How often a patch must go along while learning, and how steep the mean of all must be by one (noise is not)."""
_MERE_NOISE = 0.6
"""Share of the patches' power that the mean of all frames explains in each; below it, noise was learned (scenery in dim
light has 0.75, else 0.95)."""
_STRETCH_PX = 0.7
"""How much turn and stretch move a place `_LEVER_PX` from the middle, expected size."""
_LEVER_PX = 360.0
"""Where turn and stretch are counted in pixels: half the height of a picture of 1280 by 720."""
_PRIOR = np.diag([0, 0, 1, 1, 1, 1]) / _STRETCH_PX**2
"""One over the variance expected of each part of the state; the shift may be anything."""
_LOST, _BLIND, _SEARCH_PX, _SEARCHED = 0.6, 0.2, 12, 9
"""Likeness, by the usual, below which patches are searched for and below which none is seen; how far they are searched
for in pixels, and how many of them. By trial."""


@dataclass(frozen=True, eq=False)
class PictureMotion:
    """How the picture lies against the one that was learned.

    Attributes
    ----------
    down_px, right_px : float
        Shift at the anchor, in pixels of the plane.
    slopes : array of float64 (4,)
        Growth of the shift per pixel of the plane: down per right, down per down, right per right, right per down.
    noise_px : float
        1-sigma of the shift to the right at the anchor, from the scatter of the patches.
    away_px : array of float64 (patches, 2)
        What each patch moved beyond that; not known where only a few were looked at (empty then).
    """

    down_px: float
    right_px: float
    slopes: NDArray[np.float64]
    noise_px: float
    away_px: NDArray[np.float64]


class PatchTracker:
    """Follows patches of still texture; they are chosen and learned from a few frames.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of some frames in order of time.
    clear : array of bool (height, width)
        Where nothing is known to move.
    anchor : tuple of float
        Place (y, x) in the plane at which the shift is given.
    full_scale : float
        The value of white.

    Attributes
    ----------
    learned_from : tuple of PictureMotion
        Motion in the frames that were learned from, in order of time; empty where there is nothing to hold on to.
    """

    def __init__(
        self,
        planes: Sequence[Plane],
        clear: NDArray[np.bool_],
        *,
        anchor: tuple[float, float],
        full_scale: float = 255.0,
    ) -> None:
        self._scale = np.float32(255.0 / full_scale)
        self._thin = max(1, round(clear.shape[1] / _WIDEST_PX))
        self._turned = _bands_stand(planes)
        pictures = [self._picture(plane) for plane in planes[:: max(1, len(planes) // _LOOKED_THROUGH)]]
        self._shape = pictures[0].shape
        allowed = opencv().resize(
            clear.astype(np.uint8), (clear.shape[1] // self._thin, clear.shape[0] // self._thin), interpolation=0
        )
        if self._turned:
            allowed = allowed.T
        first = int(np.argmax([plane[::8, ::8].std() for plane in planes]))
        self._state, self._origin = np.zeros(6), np.zeros(6)
        self._likeness = self._usual = 1.0
        self._place(_steep_places(pictures, allowed.astype(bool)))
        course = self._learn(planes, first) if self.patches >= _LEAST_PATCHES else []
        middle = self._middle * self._thin
        along = np.array(anchor[::-1] if self._turned else anchor)
        self._lever = along - middle
        self.learned_from = tuple(self._motion(state, covariance, np.zeros((0, 2))) for state, covariance in course)

    @property
    def patches(self) -> int:
        """Number of patches that are followed."""
        return len(self._centres)

    def follow(self, plane: Plane, *, few: bool = False) -> PictureMotion | None:
        """Motion of the picture in `plane`; ``None`` where nothing is there to hold on to or none of it is seen.

        With `few` only some of the patches are looked at, which is enough to see whether anything moves.
        """
        if self.patches < _LEAST_PATCHES:
            return None
        chosen = slice(None, None, max(1, self.patches // _FEW) if few else 1)
        before = self._state
        self._settle(self._sheet(plane, chosen), chosen, few=few)
        if self._likeness < _LOST * self._usual:
            self._search(plane, before)
        if self._likeness < _BLIND * self._usual:
            self._state = before
            return None
        return self._motion(self._state, self._covariance, np.zeros((0, 2)) if few else self._away * self._thin)

    def _motion(
        self, state: NDArray[np.float64], covariance: NDArray[np.float64], away: NDArray[np.float64]
    ) -> PictureMotion:
        """What a state means in pixels of the plane."""
        state = state - self._origin
        slopes = state[2:] / (_LEVER_PX * self._thin)
        far = self._lever / _LEVER_PX
        reach = np.array([[self._thin, 0, far[1], far[0], 0, 0], [0, self._thin, 0, 0, far[1], far[0]]])
        down, right = reach @ state
        free = reach[:, : len(covariance)]
        noise = np.sqrt(np.diag(free @ covariance @ free.T))
        if self._turned:
            return PictureMotion(float(right), float(down), slopes[[3, 2, 1, 0]], float(noise[0]), away)
        return PictureMotion(float(down), float(right), slopes, float(noise[1]), away)

    def _picture(self, plane: Plane) -> NDArray[np.float32]:
        small = decimate(plane.T if self._turned else plane, self._thin) * self._scale
        blurred: NDArray[np.float32] = opencv().GaussianBlur(small, (0, 0), _SMOOTHING_PX)
        return blurred

    def _place(self, centres: NDArray[np.float32]) -> None:
        self._centres = centres
        self._middle = centres.mean(axis=0) if len(centres) else np.zeros(2)
        down, right = ((centres - self._middle) / _LEVER_PX).T
        zero, one = np.zeros(len(centres)), np.ones(len(centres))
        along_down = np.stack([one, zero, right, down, zero, zero], axis=1)
        along_right = np.stack([zero, one, zero, zero, right, down], axis=1)
        self._model = np.stack([along_down, along_right], axis=1)

    def _learn(self, planes: Sequence[Plane], first: int) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
        """Make the template from all `planes`, laid over each other; drop patches that do not keep together.

        Gives the state in each plane and its covariance.
        """
        self._set_template(self._sheet(planes[first], _ALL).sampled(np.zeros((self.patches, 2))))
        total = np.zeros_like(self._template)
        weight = np.zeros(self._template.shape[:2])
        follows = np.zeros(self.patches)
        steep_first = self._lines[:, :, [0, 2]].sum(axis=(1, 2))
        course: dict[int, tuple[NDArray[np.float64], NDArray[np.float64]]] = {}
        usual = []
        for run in (range(first, len(planes)), range(first - 1, -1, -1)):
            self._state = np.zeros(6)
            for k in run:
                sheet = self._sheet(planes[k], _ALL)
                follows += self._settle(sheet)
                lines = sheet.sampled(self._model @ self._state)
                gain = np.sum((lines - lines.mean(axis=2, keepdims=True)) * self._template, axis=2)
                usual.append(self._likeness)
                total += gain[:, :, None] * lines
                weight += gain**2
                course[k] = self._state, self._covariance
        self._set_template(total / np.maximum(weight, 1e-9)[:, :, None] * self._power[:, :, None])
        texture = self._lines[:, :, [0, 2]].sum(axis=(1, 2)) > _TEXTURE * steep_first
        self._usual = float(np.median(usual))
        keep = texture & (follows > _FOLLOWS * len(planes)) & (self._usual >= _MERE_NOISE)
        self._place(self._centres[keep])
        if keep.any():
            self._set_template(self._template[keep])
        self._origin = np.mean([state for state, _ in course.values()], axis=0)
        self._state = self._origin
        return [course[k] for k in sorted(course)]

    def _set_template(self, patches: NDArray[np.float32]) -> None:
        template = patches - patches.mean(axis=2, keepdims=True)
        self._template = template.astype(np.float32)
        self._power = np.sum(template**2, axis=2) + 1e-3
        steep = []
        for gradient in np.gradient(template, axis=(1, 2)):
            bare = gradient - gradient.mean(axis=2, keepdims=True)
            bare -= (np.sum(bare * template, axis=2) / self._power)[:, :, None] * template
            bare[:, [0, -1]] = 0
            steep.append(bare.astype(np.float32))
        self._down, self._right = steep
        self._lines = np.stack(
            [np.sum(a * b, axis=2) for a, b in ((steep[0], steep[0]), (steep[0], steep[1]), (steep[1], steep[1]))],
            axis=2,
        )

    def _sheet(self, plane: Plane, chosen: slice) -> _Sheet:
        """The surroundings of the patches where they should lie by now, cut out of `plane` and smoothed."""
        view = plane.T if self._turned else plane
        should = np.rint(self._centres[chosen] + self._model[chosen] @ self._state).astype(int)
        corner = np.clip(should - _HALF - _ROOM, 0, np.array(self._shape) - _SIDE - 2 * _ROOM)
        size, thin = _SIDE + 2 * _ROOM, self._thin
        wide = size * thin
        cut = np.empty((len(corner) * wide, wide), view.dtype)
        for k, (y, x) in enumerate((corner * thin).tolist()):
            cut[k * wide : (k + 1) * wide] = view[y : y + wide, x : x + wide]
        sheet = opencv().GaussianBlur(decimate(cut, thin), (0, 0), _SMOOTHING_PX) * self._scale
        offset = self._centres[chosen] - corner.astype(np.float32)
        offset[:, 0] += np.arange(len(corner), dtype=np.float32) * size
        return _Sheet(sheet, offset)

    def _settle(self, sheet: _Sheet, chosen: slice = _ALL, *, few: bool = False) -> NDArray[np.float64]:
        """Move the state until the patches of the sheet lie on the template; the weights of the patches.

        A `few` patches tell the shift alone; turn and stretch are taken as they are.
        """
        model = self._model[chosen]
        weight = np.ones(len(model))
        for _ in range(_STEPS):
            before = model @ self._state
            place = np.rint(before * _SUBSTEPS) / _SUBSTEPS
            moved, certain = self._compare(sheet.sampled(place), chosen)
            moved = place + np.clip(moved, -_LONGEST_STEP_PX, _LONGEST_STEP_PX)
            self._state, weight = self._agree(moved, certain, model, free=2 if few else 6)
            if np.max(np.abs(model @ self._state - before)) < _CLOSE_PX:
                break
        return weight

    def _compare(self, seen: NDArray[np.float32], chosen: slice) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """How far each patch lies from the template, (patches, 2), and how certain that is, (patches, 2, 2)."""
        template = self._template[chosen]
        line_power = self._power[chosen]
        seen = seen - seen.mean(axis=2, keepdims=True)
        gain = np.einsum("plx,plx->pl", seen, template) / line_power
        left = seen - gain[:, :, None].astype(np.float32) * template
        left_power = np.einsum("plx,plx->p", left, left)
        power = np.sum(gain**2 * line_power)
        self._likeness = float(power / (power + left_power.sum() + 1e-9))
        gain = np.clip(gain, 0, 3)
        pull_down = np.sum(gain * np.einsum("plx,plx->pl", self._down[chosen], left), axis=1)
        pull_right = np.sum(gain * np.einsum("plx,plx->pl", self._right[chosen], left), axis=1)
        a, b, c = np.einsum("pl,plk->kp", gain**2, self._lines[chosen])
        determinant = a * c - b * b + 1e-6
        down = -(c * pull_down - b * pull_right) / determinant
        right = -(a * pull_right - b * pull_down) / determinant
        explained = -(pull_down * down + pull_right * right)
        noise = _ALIKE_PX * (np.maximum(left_power - explained, 0) / _SIDE**2 + 0.02)
        a, b, c = a / noise + 1e-6, b / noise, c / noise + 1e-6
        # The inverse of (inverse of [[a, b], [b, c]] plus coding's own variance), written out.
        area = (a * c - b * b) * _CODING_PX**2
        whole = 1 + (a + c + area) * _CODING_PX**2
        certain = np.stack([a + area, b, b, c + area], axis=1) / whole[:, None]
        return np.stack([down, right], axis=1), certain.reshape(-1, 2, 2).astype(np.float64)

    def _agree(
        self, moved: NDArray[np.float64], certain: NDArray[np.float64], model: NDArray[np.float64], *, free: int
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What most patches agree on, and the weight of each; only the first `free` parts of the state are moved."""
        weight = np.ones(len(moved))
        kept = self._state * (np.arange(6) >= free)
        moved, model = moved - model @ kept, model[:, :, :free]
        weighed = (certain @ model).transpose(0, 2, 1)
        normals = (weighed @ model).reshape(-1, free**2)
        pulls = (weighed @ moved[:, :, None])[:, :, 0]
        unmoved = np.einsum("pi,pij,pj->p", moved, certain, moved)
        for _ in range(5):
            normal = (weight @ normals).reshape(free, free) + _PRIOR[:free, :free]
            state = np.linalg.solve(normal, weight @ pulls)
            distance = unmoved - 2 * (pulls @ state) + normals @ np.outer(state, state).ravel()
            ordered = np.sort(distance)
            median = (ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2
            scatter = max(float(median) / 1.39, 1e-6)
            weight = 1 / (1 + distance / (_OUTLYING * max(scatter, 0.3))) ** 2
        self._covariance = np.asarray(np.linalg.inv(normal) * scatter, np.float64)
        self._away = moved - model @ state
        return np.concatenate([state, kept[free:]]), weight

    def _search(self, plane: Plane, before: NDArray[np.float64]) -> None:
        """Find the patches again after a jump: the steepest are looked for around where they were `before`."""
        cv2 = opencv()
        picture = self._picture(plane)
        found = []
        for k in np.argsort(self._power.sum(axis=1))[-_SEARCHED:]:
            y, x = np.rint(self._centres[k] + self._model[k] @ before).astype(int)
            reach = _HALF + _SEARCH_PX
            if not (reach <= y < picture.shape[0] - reach and reach <= x < picture.shape[1] - reach):
                continue
            around = np.ascontiguousarray(picture[y - reach : y + reach + 1, x - reach : x + reach + 1])
            likeness = cv2.matchTemplate(around, self._template[k], cv2.TM_CCOEFF_NORMED)
            found.append(np.array(np.unravel_index(int(np.argmax(likeness)), likeness.shape)) - _SEARCH_PX)
        if not found:
            return
        kept, likeness = self._state, self._likeness
        self._state = before + np.array([*np.median(found, axis=0), 0, 0, 0, 0])
        self._settle(self._sheet(plane, _ALL))
        if self._likeness < likeness:
            self._state, self._likeness = kept, likeness


@dataclass(frozen=True, eq=False)
class _Sheet:
    """Surroundings of patches, one below the other, and where in it (y, x) each patch's centre was learned."""

    picture: NDArray[np.float32]
    centres: NDArray[np.float32]

    def sampled(self, shift: NDArray[np.float64]) -> NDArray[np.float32]:
        """The patches (patches, lines, columns), each at its own shift (down, right)."""
        cv2 = opencv()
        at = self.centres + np.rint(shift * _SUBSTEPS).astype(np.float32) / _SUBSTEPS
        shape = (len(at), _SIDE, _SIDE)
        y = np.broadcast_to(at[:, :1, None] + _OFFSET[None, :, None], shape).reshape(-1, _SIDE)
        x = np.broadcast_to(at[:, 1:, None] + _OFFSET[None, None, :], shape).reshape(-1, _SIDE)
        found: NDArray[np.float32] = cv2.remap(self.picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return found.reshape(shape)


def _bands_stand(planes: Sequence[Plane]) -> bool:
    """Whether brightness comes and goes by columns rather than by lines, as in a picture that was turned."""
    spread = []
    for axis in (1, 0):
        profile = np.array([plane[::4, ::4].mean(axis=axis) for plane in planes], float)
        profile /= profile.mean(axis=1, keepdims=True) + 1e-9
        spread.append(float(np.mean(np.var(profile, axis=0) / (np.mean(profile, axis=0) ** 2 + 1e-9))))
    return spread[1] > 2 * spread[0]


def _steep_places(pictures: Sequence[NDArray[np.float32]], allowed: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Centres (y, x) of patches whose texture is steep both ways once each line's mean is taken off, well spread."""
    cv2 = opencv()
    a, b, c = np.zeros((3, *allowed.shape), np.float32)
    for picture in pictures:
        texture = picture - cv2.boxFilter(picture, -1, (_SIDE, 1))
        down, right = cv2.Sobel(texture, -1, 0, 1, scale=1 / 8), cv2.Sobel(texture, -1, 1, 0, scale=1 / 8)
        cv2.accumulateSquare(down, a)
        cv2.accumulateProduct(down, right, b)
        cv2.accumulateSquare(right, c)
    a, b, c = (cv2.boxFilter(one, -1, (_SIDE, _SIDE)) for one in (a, b, c))
    determinant = np.maximum(a * c - b * b, 0) / len(pictures)
    steep = np.minimum(determinant / (a + 1e-6), 4 * determinant / (c + 1e-6))
    clear = cv2.erode(allowed.astype(np.uint8), np.ones((_SIDE + 4, _SIDE + 4), np.uint8), borderValue=0)
    clear[: 2 * _HALF], clear[-2 * _HALF :], clear[:, : 2 * _HALF], clear[:, -2 * _HALF :] = 0, 0, 0, 0
    steep = np.where(clear > 0, steep, 0)
    least = max(_LEAST_STEEPNESS * float(steep.max()), 0.01)
    tiles: dict[tuple[int, int], int] = {}
    centres: list[tuple[int, int]] = []
    while len(centres) < _MOST_PATCHES:
        y, x = (int(k) for k in np.unravel_index(int(np.argmax(steep)), steep.shape))
        if steep[y, x] <= least:
            break
        centres.append((y, x))
        steep[max(0, y - _SIDE) : y + _SIDE + 1, max(0, x - _SIDE) : x + _SIDE + 1] = 0
        tile = (y // _TILE, x // _TILE)
        tiles[tile] = tiles.get(tile, 0) + 1
        if tiles[tile] == _MOST_IN_A_TILE:
            steep[tile[0] * _TILE : (tile[0] + 1) * _TILE, tile[1] * _TILE : (tile[1] + 1) * _TILE] = 0
    return np.array(centres, np.float32).reshape(-1, 2)
