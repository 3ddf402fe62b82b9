"""Clips of a printed disc filmed from above, with known truth.

`DiscScene` says what is filmed; `disc_frames` draws it, `render_disc_clip` codes it into a file and writes the truth
beside it. The camera stands on a tripod, the light is white and falls everywhere. Nothing here is used by the
measurement.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from strobe.files import whole_file
from strobe.render.clip import code_frames, truth_path
from strobe.render.disc_picture import DiscPicture, Front
from strobe.render.disc_scene import DiscScene, IndexBlock, OnTop, PagePicture, PaperDisc, PrintedRing, project_disc
from strobe.render.exposure import RenderedFrame
from strobe.render.processing import Finish
from strobe.render.timing import schedule
from strobe.render.truth import truth_of

__all__ = [
    "DiscScene",
    "IndexBlock",
    "OnTop",
    "PagePicture",
    "PaperDisc",
    "PrintedRing",
    "disc_frames",
    "disc_truth",
    "project_disc",
    "render_disc_clip",
    "visible_share",
]


def visible_share(scene: DiscScene, ring: PrintedRing) -> float:
    """Share of a ring, by azimuth, that is in the picture and not hidden."""
    azimuth = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    x, y = project_disc(scene, ring.middle_mm, azimuth)
    inside = (x >= 0) & (x < scene.camera.width) & (y >= 0) & (y < scene.camera.height)
    hidden = Front(scene).hides
    column, row = (
        np.clip(part, 0, size - 1).astype(int) for part, size in zip((x, y), hidden.shape[::-1], strict=True)
    )
    return float(np.mean(inside & (hidden[row, column] < 0.5)))


def disc_truth(scene: DiscScene) -> dict[str, Any]:
    """The truth of a clip as a JSON object: ``strobe.truth/1`` with what is known of the disc under ``disc``."""
    truth = truth_of(scene.film).to_dict()
    disc, film = scene.disc, scene.film
    pitches = {}
    for ring in disc.rings:
        step = np.array([-0.5, 0.5]) * 2 * np.pi / ring.bars
        pitches[ring.bars] = float(np.hypot(*np.diff(project_disc(scene, ring.middle_mm, step))[:, 0]))
    truth["scene"] = {
        "view": "disc",
        "frames": film.frame_count,
        "span_s": film.span_s,
        "seconds": scene.seconds,
        "first_angle_rev": scene.first_angle_rev,
        "platter_mm": scene.platter_mm,
        "aim_y_mm": scene.aim_y_mm,
        "on_top": asdict(scene.on_top),
        "coding": asdict(scene.coding),
    }
    truth["camera"]["elevation_deg"] = scene.elevation_deg
    # It belongs to the one picture row of a rim's dots.
    truth["lines"].pop("cut_flash_share")
    truth["disc"] = {
        "diameter_mm": disc.diameter_mm,
        "offset_mm": disc.offset_mm,
        "offset_deg": disc.offset_deg,
        "index": None if disc.index is None else asdict(disc.index),
        "from_page": disc.page is not None,
        "rings": [
            asdict(ring)
            | {"pitch_px": pitches[ring.bars], "visible_share": visible_share(scene, ring)}
            | {"false_swing_percent": 100 * disc.offset_mm / ring.middle_mm}
            for ring in disc.rings
        ],
    }
    return truth


def disc_frames(scene: DiscScene, *, rng: np.random.Generator) -> Iterator[RenderedFrame]:
    """Render the frames of a clip one after the other, before any coding; dropped frames are left out.

    Parameters
    ----------
    scene : DiscScene
    rng : numpy.random.Generator
        Source of the surroundings, the noise and the jitter of the stamps. The same state gives the same frames.
    """
    still_rng, noise_rng, stamp_rng = rng.spawn(3)
    made = DiscPicture(scene, rng=still_rng)
    finish = Finish(scene.film, coloured=False, rng=noise_rng)
    grey = np.zeros((scene.camera.height // 2, scene.camera.width // 2), np.float32)
    for shot in schedule(scene.film, rng=stamp_rng):
        luma = made.expose(shot.start_s)
        yield RenderedFrame(shot.index, shot.start_s, shot.stamp_s, *finish.finished((luma, grey, grey), None))


def render_disc_clip(scene: DiscScene, path: str | Path, *, rng: np.random.Generator) -> dict[str, Any]:
    """Render a clip into a video file, coded as its scene says, and write its truth beside it; gives the truth."""
    clip, truth = Path(path), disc_truth(scene)
    with whole_file(clip) as part, whole_file(truth_path(clip)) as told:
        code_frames(scene.film, disc_frames(scene, rng=rng), part)
        told.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth
