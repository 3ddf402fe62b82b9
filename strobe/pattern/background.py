"""What stands still around the platter: its brightness tells of the lamp, its place of shake."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from strobe.pattern.images import Plane, decimate, opencv
from strobe.pattern.reading import RowReader

__all__ = ["BackgroundReader"]

_BINS = 48
_COLUMNS = 128
_PATCH = 14
_MOST_PATCHES = 24
_LEAST_PATCHES = 4
_STEPS = 5
_WORTH_A_STEP_PX = 0.7
_BESIDE_A_ROW = 0.08
_CALM_FRAMES, _CALM_PX, _LOOK_EVERY = 30, 0.3, 4


class BackgroundReader:
    """Reads brightness by picture row and the shift of the still scenery; the places are chosen while learning.

    Parameters
    ----------
    planes : sequence of arrays (height, width)
        Luma of a few frames.
    rows : sequence of RowReader
        Rows of dots, kept clear of.
    full_scale : float
        The value of white.
    """

    def __init__(self, planes: Sequence[Plane], rows: Sequence[RowReader], *, full_scale: float = 255.0) -> None:
        height, width = planes[0].shape
        self._scale = 255.0 / full_scale
        self._last = (0.0, 0.0, 0.0)
        self._calm_frames = self._frames_seen = 0
        clear = np.ones((height, width), bool)
        for row in rows:
            reach = 1.5 * float(np.median(row.pitch_px)) + 4
            beside = int(_BESIDE_A_ROW * width)
            first, last = max(0, int(row.x_px[0]) - beside), min(width, int(row.x_px[-1]) + 1 + beside)
            y = np.interp(np.arange(first, last), row.x_px, row.y_px)
            clear[:, first:last] &= np.abs(np.arange(height)[:, None] - y) > reach
        self._choose_cells(planes, clear)
        anchor = (height / 2, width / 2)
        if rows:
            anchor = (float(np.median(rows[0].y_px)), float(np.median(rows[0].x_px)))
        self._choose_patches(planes, clear, anchor)

    def _choose_cells(self, planes: Sequence[Plane], clear: NDArray[np.bool_]) -> None:
        height, width = clear.shape
        self._step = (max(1, height // (_BINS * 8)), max(1, width // _COLUMNS))
        thin = (slice(None, None, self._step[0]), slice(None, None, self._step[1]))
        brightest = np.max([plane[thin] for plane in planes], axis=0) * self._scale
        use = clear[thin] & (brightest < 235) & (brightest > 6)
        lines = np.arange(use.shape[0])
        member = (lines * _BINS // use.shape[0])[None, :] == np.arange(_BINS)[:, None]
        count = member @ use.sum(axis=1)
        self._use = use.astype(np.float32)
        self._average = (member / np.maximum(count, 1)[:, None] * (count >= 24)[:, None]).astype(np.float32)

    def brightness(self, plane: Plane) -> NDArray[np.float32]:
        """Mean brightness (picture rows,) in grey levels of 0 to 255; zero where there is too little to see."""
        thin = plane[:: self._step[0], :: self._step[1]]
        lines = np.einsum("yx,yx->y", thin.astype(np.float32), self._use)
        return self._average @ lines * np.float32(self._scale)

    def _choose_patches(self, planes: Sequence[Plane], clear: NDArray[np.bool_], anchor: tuple[float, float]) -> None:
        cv2 = opencv()
        small = max(1, round(clear.shape[1] / 1280))
        size = (clear.shape[1] // small, clear.shape[0] // small)
        picture = np.mean([decimate(plane, small) for plane in planes[:8]], axis=0) * self._scale
        picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
        allowed = cv2.resize(clear.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
        margin = 2 * _PATCH
        allowed[:margin], allowed[-margin:], allowed[:, :margin], allowed[:, -margin:] = 0, 0, 0, 0
        corners = cv2.goodFeaturesToTrack(picture, _MOST_PATCHES, 0.02, 3 * _PATCH, mask=allowed)
        self._thin = small
        if corners is None or len(corners) < _LEAST_PATCHES:
            self._centres = np.zeros((0, 2), int)
            return
        self._centres = np.rint(corners[:, 0, ::-1]).astype(int)
        offset = np.arange(-_PATCH, _PATCH + 1)
        rows = self._centres[:, 0, None, None] + offset[None, :, None]
        columns = self._centres[:, 1, None, None] + offset[None, None, :]
        down, right = np.gradient(picture)
        count = len(self._centres)
        self._template = picture[rows, columns].reshape(count, -1)
        steep = np.stack(
            [
                right[rows, columns],
                down[rows, columns],
                picture[rows, columns],
                picture[rows, columns] * (offset[None, :, None] / _PATCH),
                np.ones_like(picture[rows, columns]),
            ],
            axis=1,
        ).reshape(count, 5, -1)
        self._solve = np.linalg.pinv(steep.transpose(0, 2, 1), rcond=1e-4).astype(np.float32)
        self._rows, self._columns = rows, columns
        self._place = np.zeros((count, 2), int)
        down_from, right_from = (self._centres - np.array(anchor) / small).T
        zero, one = np.zeros(count), np.ones(count)
        along_down = np.stack([one, zero, right_from, down_from], axis=1)
        along_right = np.stack([zero, one, -down_from, right_from], axis=1)
        self._model = np.stack([along_down, along_right], axis=1)

    def watch(self, plane: Plane) -> tuple[float, float, float]:
        """As `shift`, but while the camera stands still only every fourth frame is looked at; the others repeat it."""
        self._frames_seen += 1
        if self._calm_frames > _CALM_FRAMES and self._frames_seen % _LOOK_EVERY:
            return self._last
        before, self._last = self._last, self.shift(plane)
        moved = max(abs(self._last[0] - before[0]), abs(self._last[1] - before[1]))
        self._calm_frames = self._calm_frames + 1 if moved < _CALM_PX else 0
        return self._last

    def shift(self, plane: Plane) -> tuple[float, float, float]:
        """Shift of the scenery at the first row, right and down in pixels, and its 1-sigma noise; NaN for none seen.

        Every patch is followed by itself; together they give shift, turn and change of size of the picture about the
        middle of the row, so that the camera's roll does not pass for motion of the dots.
        """
        if not len(self._centres):
            return float("nan"), float("nan"), float("nan")
        height, width = plane.shape[0] // self._thin, plane.shape[1] // self._thin
        moved = np.zeros((len(self._centres), 2))
        for last in (*[False] * (_STEPS - 1), True):
            rows = np.clip(self._rows + self._place[:, :1, None], 0, height - 1) * self._thin
            columns = np.clip(self._columns + self._place[:, 1:, None], 0, width - 1) * self._thin
            seen = np.zeros((len(rows), rows.shape[1], columns.shape[2]), np.float32)
            for down in range(self._thin):
                for right in range(self._thin):
                    seen += plane[rows + down, columns + right]
            seen *= self._scale / self._thin**2
            change = seen.reshape(len(self._centres), -1) - self._template
            moved = -np.einsum("pij,pj->pi", self._solve, change)[:, 1::-1]
            step = np.where(np.abs(moved) > _WORTH_A_STEP_PX, np.rint(np.clip(moved, -2, 2)), 0).astype(int)
            if last or not step.any():
                break
            self._place = self._place + step
        moved = np.clip(moved, -3, 3) + self._place
        solution, trusted, spread = self._similarity(moved)
        stray = ~trusted
        self._place[stray] = np.rint(self._model[stray] @ solution).astype(int)
        noise = spread / np.sqrt(max(1, int(trusted.sum()) - 2))
        return float(solution[1] * self._thin), float(solution[0] * self._thin), float(noise * self._thin)

    def _similarity(self, moved: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.bool_], float]:
        """Down, right, turn and growth that most patches agree on; which ones; and their scatter in pixels."""
        weight = np.ones(len(moved))
        solution = np.zeros(4)
        scatter = 0.0
        distance = np.zeros(len(moved))
        for _ in range(5):
            root = np.sqrt(weight)[:, None]
            basis = (self._model * root[:, :, None]).reshape(-1, 4)
            solution, *_ = np.linalg.lstsq(basis, (moved * root).reshape(-1), rcond=1e-8)
            distance = np.hypot(*(moved - self._model @ solution).T)
            scatter = float(np.median(distance)) + 1e-4
            weight = 1 / (1 + (distance / (2 * scatter)) ** 2) ** 2
        return solution, distance < 4 * scatter, scatter
