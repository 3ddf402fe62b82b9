"""Capture: a clip or camera becomes frames with their times and untouched planes; nothing here knows of dots."""

from strobe.capture.camera import Camera, CameraClock, open_camera
from strobe.capture.clip import Clip, open_clip
from strobe.capture.records import CameraFacts, ClipFacts, ClipTally, Frame, Setting, SourceEvent, SourceFacts
from strobe.capture.source import FrameSource

__all__ = [
    "Camera",
    "CameraClock",
    "CameraFacts",
    "Clip",
    "ClipFacts",
    "ClipTally",
    "Frame",
    "FrameSource",
    "Setting",
    "SourceEvent",
    "SourceFacts",
    "open_camera",
    "open_clip",
]
