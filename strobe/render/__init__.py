"""Synthetic clips with known truth: real image formation of a turning rim of dots under a lamp.

A `Scene` says what is filmed; `frames` draws it, `render_clip` codes it into a file and writes the truth
beside it; `random_scene` invents one; `write_sample_clips` makes the clips that come with the project.
Nothing here is used by the measurement.
"""

from strobe.render.clip import render_clip, truth_path
from strobe.render.exposure import RenderedFrame, frames, stamps_s
from strobe.render.geometry import project
from strobe.render.random_scenes import random_scene
from strobe.render.samples import sample_scenes, write_sample_clips
from strobe.render.scene import Camera, Coding, DotRow, Lamp, Scene, Speed, Wobble
from strobe.render.truth import TrueComponent, Truth, truth_of

__all__ = [
    "Camera",
    "Coding",
    "DotRow",
    "Lamp",
    "RenderedFrame",
    "Scene",
    "Speed",
    "TrueComponent",
    "Truth",
    "Wobble",
    "frames",
    "project",
    "random_scene",
    "render_clip",
    "sample_scenes",
    "stamps_s",
    "truth_of",
    "truth_path",
    "write_sample_clips",
]
