"""Synthetic clips with known truth: real image formation of a turning rim of dots under a lamp.

A `Scene` says what is filmed; `frames` draws it, `render_clip` codes it into a file and writes the truth
beside it; `random_scene` invents one; `write_sample_clips` makes the clips that come with the project.
Nothing here is used by the measurement.
"""

from strobe.render.clip import render_clip, truth_path
from strobe.render.exposure import RenderedFrame, frames
from strobe.render.filming import (
    Delivery,
    ExposureStep,
    Hand,
    Passing,
    Processing,
    Refocus,
    Stabiliser,
    Timing,
    Zoom,
)
from strobe.render.geometry import project
from strobe.render.lamps import Fall, Lamp, Light
from strobe.render.random_scenes import random_scene
from strobe.render.rim import DotRow, Mark, Runout, Surface
from strobe.render.samples import sample_scenes, write_sample_clips
from strobe.render.scene import Camera, Coding, RunUp, Scene, Speed, SpeedStep, Wobble
from strobe.render.timing import stamps_s
from strobe.render.truth import TrueComponent, Truth, truth_of

__all__ = [
    "Camera",
    "Coding",
    "Delivery",
    "DotRow",
    "ExposureStep",
    "Fall",
    "Hand",
    "Lamp",
    "Light",
    "Mark",
    "Passing",
    "Processing",
    "Refocus",
    "RenderedFrame",
    "RunUp",
    "Runout",
    "Scene",
    "Speed",
    "SpeedStep",
    "Stabiliser",
    "Surface",
    "Timing",
    "TrueComponent",
    "Truth",
    "Wobble",
    "Zoom",
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
