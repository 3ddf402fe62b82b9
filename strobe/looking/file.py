"""What the file tells of its way here: the device it names, what wrote it, and signs that it was coded again."""

from __future__ import annotations

import os
from pathlib import Path

from strobe.capture import ClipFacts
from strobe.looking.results import FileFacts
from strobe.measurement import Note

__all__ = ["coded_again", "file_facts", "file_signs", "is_lean"]

_DEVICE_TAGS = (
    ("com.android.manufacturer", "com.android.model", "com.android.version"),
    ("com.apple.quicktime.make", "com.apple.quicktime.model", "com.apple.quicktime.software"),
    ("make", "model"),
)
_WRITER_TAGS = ("encoder", "encoding_tool", "software", "writing_application")
_CAMERA_SHORT_SIDES = {480, 720, 1080, 1440, 1536, 1944, 2160, 2448, 2592, 3024, 3072, 4320}
_LEAST_BITS = {"h264": 4.0, "hevc": 2.0, "vp9": 2.0, "vp8": 4.0, "av1": 1.5, "mpeg4": 5.0}
"""Bits a pixel and second below which no phone's own recording lies (common practice: phones spend 7 to 15 with H.264,
3 to 8 with HEVC)."""
_STABILISED = "stabili"
_SWITCHED_OFF = ("0", "off", "false", "no", "none", "disabled", "")
"""What a tag says of what is not done (common practice)."""


def file_facts(facts: ClipFacts, duration_s: float) -> FileFacts:
    """The facts of the file, with what its coding costs."""
    tags = {key.lower(): text for key, text in facts.metadata}
    size = os.stat(facts.path).st_size
    bits = 8 * size / duration_s if duration_s > 0 else None
    named = [" ".join(tags[key] for key in group if key in tags) for group in _DEVICE_TAGS]
    writers = [tags[key] for key in _WRITER_TAGS if key in tags]
    return FileFacts(
        container=_container(facts),
        codec=facts.codec,
        width=facts.width,
        height=facts.height,
        bit_depth=facts.bit_depth,
        transfer=facts.transfer,
        rotation_deg=facts.rotation_deg,
        bits_per_s=bits,
        bits_per_pixel_s=None if bits is None else bits / (facts.width * facts.height),
        device=next((name for name in named if name), None),
        written_by=writers[0] if writers else None,
    )


def _container(facts: ClipFacts) -> str:
    """One of the library's names for the format: that of the file's suffix, where it is among them."""
    names = facts.container.split(",")
    suffix = Path(facts.path).suffix.lower().lstrip(".")
    return suffix if suffix in names else names[0]


def is_lean(file: FileFacts) -> bool:
    """Whether the coding spends fewer bits than a camera does."""
    return file.bits_per_pixel_s is not None and file.bits_per_pixel_s < _LEAST_BITS.get(file.codec, 0.0)


def _is_odd(file: FileFacts) -> bool:
    return min(file.width, file.height) not in _CAMERA_SHORT_SIDES


def coded_again(file: FileFacts) -> bool:
    """Whether two signs or more say that a program, not a camera, wrote these pictures."""
    if file.device is not None:
        return False
    return is_lean(file) + _is_odd(file) + (file.written_by is not None) >= 2


def file_signs(file: FileFacts, facts: ClipFacts) -> list[Note]:
    """Signs that the file is not as the camera wrote it."""
    signs = []
    if coded_again(file):
        seen = []
        if file.written_by is not None:
            seen.append(f"a program wrote it ({file.written_by[:24]})")
        if is_lean(file):
            seen.append(f"{file.bits_per_pixel_s:.2g} bits a pixel and second are fewer than cameras spend")
        if _is_odd(file):
            seen.append(f"{file.width} x {file.height} is no usual camera size")
        lost = "" if facts.capture_rate_hz is not None else "; a rate of slow motion would be lost"
        signs.append(
            Note("coded-again", f"Coded again on its way, it seems: {', '.join(seen)}{lost}. Send the original file.")
        )
    told = [key for key, text in facts.metadata if _STABILISED in key.lower() and text.lower() not in _SWITCHED_OFF]
    if told:
        signs.append(Note("stabilised", f"The file says that the picture was stabilised ({told[0]})."))
    return signs
