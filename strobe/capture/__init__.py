"""Capture: a clip becomes frames with exact times and untouched planes; nothing here knows of dots."""

from strobe.capture.clip import Clip, open_clip
from strobe.capture.records import ClipFacts, ClipTally, Frame

__all__ = ["Clip", "ClipFacts", "ClipTally", "Frame", "open_clip"]
