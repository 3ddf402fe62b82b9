"""Capture: planes and times against an independent reading, the counts, and all that can be no clip."""

from __future__ import annotations

import dataclasses
import gc
import os
import struct
import subprocess
import sys
import weakref
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from conftest import HEIGHT, WIDTH, brightness, fill, patterns
from numpy.typing import NDArray

from strobe.capture import Frame, open_clip
from strobe.capture.planes import Display, planes_of
from strobe.errors import ClipUnreadable, MissingLibrary, UsageError

Writer = Callable[..., Path]

AV1_ENCODER = "libsvtav1" if "libsvtav1" in av.codecs_available else "libaom-av1"
MILLISECOND = Fraction(1, 1000)

CODINGS = {
    "h264": ("a.mp4", "libx264", "yuv420p", 8),
    "h264-10": ("a.mkv", "libx264", "yuv420p10le", 10),
    "hevc": ("a.mov", "libx265", "yuv420p", 8),
    "hevc-10": ("a.mp4", "libx265", "yuv420p10le", 10),
    "mjpeg": ("a.avi", "mjpeg", "yuvj420p", 8),
    "vp9": ("a.webm", "libvpx-vp9", "yuv420p", 8),
    "av1": ("a.mp4", AV1_ENCODER, "yuv420p", 8),
    "av1-10": ("a.webm", AV1_ENCODER, "yuv420p10le", 10),
}


def lines_of(plane: Any, itemsize: int, values: int = 1) -> NDArray[Any]:
    """A plane cut out of its memory line by line, as an independent copy."""
    memory, width = bytes(plane), plane.width * values * itemsize
    cut = [memory[at : at + width] for at in range(0, plane.line_size * plane.height, plane.line_size)]
    return np.frombuffer(b"".join(cut), np.uint8 if itemsize == 1 else np.uint16).reshape(plane.height, -1)


def read(path: Path) -> list[Frame]:
    with open_clip(path) as clip:
        return list(clip)


def patch_matrix(path: Path, matrix: tuple[int, int, int, int]) -> None:
    """Write a, b, c, d of the display matrix into the track header of an MP4 file."""
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40
    a, b, c, d = (value << 16 for value in matrix)
    data[at : at + 36] = struct.pack(">9i", a, b, 0, c, d, 0, 0, 0, 1 << 30)
    path.write_bytes(data)


# --- planes -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("coding", CODINGS)
def test_every_coding_gives_the_decoders_own_planes(write_clip: Writer, coding: str) -> None:
    name, codec, pixel_format, bits = CODINGS[coding]
    path = write_clip(name, frames=5, codec=codec, pixel_format=pixel_format)
    with open_clip(path) as clip:
        facts, frames = clip.facts, list(clip)
    assert facts.codec == coding.removesuffix("-10")
    assert (facts.width, facts.height, facts.bit_depth) == (WIDTH, HEIGHT, bits)
    assert facts.pixel_format == facts.read_as == pixel_format
    assert [frame.index for frame in frames] == list(range(5))
    with av.open(str(path)) as other:
        pictures = list(other.decode(video=0))
    for frame, picture in zip(frames, pictures, strict=True):
        stored = [lines_of(plane, 1 if bits == 8 else 2) for plane in picture.planes]
        for plane, expected in zip((frame.luma, frame.cb, frame.cr), stored, strict=True):
            assert plane is not None
            assert plane.dtype == expected.dtype
            np.testing.assert_array_equal(plane, expected)
        if bits == 8:
            np.testing.assert_array_equal(frame.luma, picture.to_ndarray()[:HEIGHT, :WIDTH])
        # Lossy coding at the encoders' defaults; neighbouring pictures differ by 5 levels.
        assert np.mean(frame.luma) / 2 ** (bits - 8) == pytest.approx(brightness(frame.index, 8), abs=1.5)


@pytest.mark.parametrize(
    ("pixel_format", "bits"),
    [
        ("gray", 8),
        ("gray10le", 10),
        ("gray16le", 16),
        ("yuv420p", 8),
        ("yuv422p", 8),
        ("yuv444p", 8),
        ("yuv422p10le", 10),
        ("yuv420p16le", 16),
    ],
)
def test_lossless_planes_come_back_as_they_went_in(write_clip: Writer, pixel_format: str, bits: int) -> None:
    path = write_clip("a.mkv", frames=3, codec="ffv1", pixel_format=pixel_format)
    with open_clip(path) as clip:
        assert clip.facts.bit_depth == bits
        assert clip.facts.read_as == pixel_format
        frames = list(clip)
    chroma = {"gray": None, "yuv420p": (29, 51), "yuv422p": (58, 51), "yuv444p": (58, 102)}
    kind = next(size for key, size in chroma.items() if pixel_format.startswith(key))
    sizes = [(HEIGHT, WIDTH)] + ([kind, kind] if kind else [])
    for frame in frames:
        given = [plane for plane in (frame.luma, frame.cb, frame.cr) if plane is not None]
        for plane, expected in zip(given, patterns(frame.index, sizes, bits), strict=True):
            np.testing.assert_array_equal(plane, expected)


def test_interleaved_chroma_is_taken_apart(write_clip: Writer) -> None:
    path = write_clip("a.mkv", frames=2, codec="rawvideo", pixel_format="nv12")
    frames = read(path)
    with av.open(str(path)) as other:
        pictures = list(other.decode(video=0))
    for frame, picture in zip(frames, pictures, strict=True):
        pairs = lines_of(picture.planes[1], 1, values=2)
        np.testing.assert_array_equal(frame.luma, lines_of(picture.planes[0], 1))
        np.testing.assert_array_equal(frame.cb, pairs[:, 0::2])
        np.testing.assert_array_equal(frame.cr, pairs[:, 1::2])


def test_p010_keeps_its_bits_at_the_top_of_sixteen() -> None:
    picture = av.VideoFrame(WIDTH, HEIGHT, "p010le")
    levels = (np.arange(picture.planes[0].buffer_size // 2) % 1024 << 6).astype(np.uint16)
    picture.planes[0].update(levels.tobytes())
    picture.planes[1].update(levels[: picture.planes[1].buffer_size // 2].tobytes())
    luma, cb, cr = planes_of(picture, Display())
    assert cb is not None
    assert cr is not None
    assert luma.dtype == cb.dtype == cr.dtype == np.uint16
    per_line = picture.planes[0].line_size // 2
    np.testing.assert_array_equal(luma[1], levels[per_line : per_line + WIDTH])
    np.testing.assert_array_equal(cb[0], levels[0:WIDTH:2])
    np.testing.assert_array_equal(cr[0], levels[1:WIDTH:2])


@pytest.mark.parametrize(
    ("name", "codec", "pixel_format"),
    [("a.avi", "rawvideo", "bgr24"), ("a.mov", "rawvideo", "bgr24"), ("a.mkv", "ffv1", "bgr0")],
)
def test_rgb_is_converted_and_the_facts_say_so(write_clip: Writer, name: str, codec: str, pixel_format: str) -> None:
    path = write_clip(name, frames=2, codec=codec, pixel_format=pixel_format)
    with open_clip(path) as clip:
        assert clip.facts.pixel_format == pixel_format
        assert clip.facts.read_as == "yuv444p"
        frames = list(clip)
    for frame in frames:
        (level,) = patterns(frame.index, [(HEIGHT, WIDTH)], 8)
        # A neutral R = G = B = v has luma 16 + 219 v / 255 and no chroma (ITU-R BT.601, value from memory).
        np.testing.assert_allclose(frame.luma, 16 + level * (219 / 255), atol=1.01)
        assert frame.cb is not None
        assert np.ptp(frame.cb) <= 1
        assert frame.cb.mean() == pytest.approx(128, abs=1)


def test_packed_yuv_keeps_its_luma(write_clip: Writer) -> None:
    path = write_clip("a.avi", frames=2, codec="rawvideo", pixel_format="yuyv422")
    for frame in read(path):
        (level,) = patterns(frame.index, [(HEIGHT, WIDTH)], 8)
        np.testing.assert_array_equal(frame.luma, level)


def test_planes_are_read_only_views_that_outlive_the_clip(write_clip: Writer) -> None:
    path = write_clip("a.mkv", frames=40, codec="ffv1")
    with open_clip(path) as clip:
        held = [next(clip), next(clip)]
        for _ in clip:
            pass
    del clip
    gc.collect()
    for frame in held:
        sizes = [(HEIGHT, WIDTH), (29, 51), (29, 51)]
        for plane, expected in zip((frame.luma, frame.cb, frame.cr), patterns(frame.index, sizes, 8), strict=True):
            assert plane is not None
            assert plane.base is not None
            np.testing.assert_array_equal(plane, expected)
            with pytest.raises(ValueError, match="read-only"):
                plane[0, 0] = 0


def test_upside_down_lines_are_refused() -> None:
    class Plane:
        line_size, width, height = -WIDTH, WIDTH, HEIGHT

    class Picture:
        planes = (Plane(),)

        class format:
            name = "gray"

    with pytest.raises(ClipUnreadable, match="upside down"):
        planes_of(Picture(), Display())


# --- display orientation ------------------------------------------------------------------------------------

TURNS: dict[str, tuple[tuple[int, int, int, int], int, bool, Callable[[int, int], tuple[int, int]]]] = {
    # a, b, c, d; clockwise turn; mirrored; where the stored pixel (row, column) must be shown
    "upright": ((1, 0, 0, 1), 0, False, lambda row, column: (row, column)),
    "clockwise": ((0, 1, -1, 0), 90, False, lambda row, column: (column, HEIGHT - 1 - row)),
    "half": ((-1, 0, 0, -1), 180, False, lambda row, column: (HEIGHT - 1 - row, WIDTH - 1 - column)),
    "anticlockwise": ((0, -1, 1, 0), 270, False, lambda row, column: (WIDTH - 1 - column, row)),
    "mirrored": ((-1, 0, 0, 1), 0, True, lambda row, column: (row, WIDTH - 1 - column)),
    "upside down": ((1, 0, 0, -1), 180, True, lambda row, column: (HEIGHT - 1 - row, column)),
    "transposed": ((0, 1, 1, 0), 270, True, lambda row, column: (column, row)),
    "transposed the other way": (
        (0, -1, -1, 0),
        90,
        True,
        lambda row, column: (WIDTH - 1 - column, HEIGHT - 1 - row),
    ),
}


@pytest.mark.parametrize("turn", TURNS)
def test_the_picture_is_turned_as_the_track_header_says(write_clip: Writer, turn: str) -> None:
    matrix, rotation_deg, mirrored, shown_at = TURNS[turn]
    path = write_clip("a.mp4", frames=2)
    stored = read(path)[0].luma
    patch_matrix(path, matrix)
    with open_clip(path) as clip:
        facts, frame = clip.facts, next(clip)
    assert (facts.rotation_deg, facts.mirrored) == (rotation_deg, mirrored)
    assert (facts.height, facts.width) == frame.luma.shape
    for row, column in [(0, 0), (3, 90), (50, 7), (HEIGHT - 1, WIDTH - 1)]:
        assert frame.luma[shown_at(row, column)] == stored[row, column]
    assert frame.cb is not None
    assert frame.cb.shape == (facts.height // 2, facts.width // 2)
    assert not frame.luma.flags.writeable


SWEEPS = {
    # Quarter turns of the stored picture carry the way along in which its lines follow each other.
    "upright": ("down", "down"),
    "clockwise": ("left", "right"),
    "half": ("up", "up"),
    "anticlockwise": ("right", "left"),
    "mirrored": ("down", "down"),
    "upside down": ("up", "up"),
}


@pytest.mark.parametrize("turn", SWEEPS)
def test_the_way_of_the_shutter_is_told(write_clip: Writer, turn: str) -> None:
    path = write_clip("a.mp4", frames=2)
    patch_matrix(path, TURNS[turn][0])
    for flipped, way in zip((False, True), SWEEPS[turn], strict=True):
        with open_clip(path, flipped=flipped) as clip:
            assert clip.facts.sweep == way
            assert clip.facts.flipped is flipped


def test_an_upright_stored_picture_was_turned_before(write_clip: Writer) -> None:
    with open_clip(write_clip("a.mp4", frames=2, size=(HEIGHT, WIDTH))) as clip:
        assert clip.facts.sweep == "sideways"


@pytest.mark.parametrize("turn", TURNS)
def test_a_mirror_image_is_turned_back_as_shown(write_clip: Writer, turn: str) -> None:
    path = write_clip("a.mp4", frames=2)
    patch_matrix(path, TURNS[turn][0])
    shown = read(path)[0]
    with open_clip(path, flipped=True) as clip:
        frame = next(clip)
    for plane, before in ((frame.luma, shown.luma), (frame.cb, shown.cb), (frame.cr, shown.cr)):
        assert plane is not None
        assert before is not None
        np.testing.assert_array_equal(plane, before[:, ::-1])
        assert not plane.flags.writeable


# --- time ---------------------------------------------------------------------------------------------------


def test_times_are_exact_for_uneven_stamps(write_clip: Writer) -> None:
    stamps = [4505, 7508, 10511, 13001, 16700, 25709, 28712]
    path = write_clip("a.mp4", frames=7, stamps=stamps, time_base=Fraction(1, 90000))
    frames = read(path)
    assert [frame.time_s for frame in frames] == [(stamp - 4505) / 90000 for stamp in stamps]


def test_times_come_from_what_the_container_stored(write_clip: Writer) -> None:
    stamps = [round(1001 * index / 30) for index in range(90)]
    path = write_clip("a.mkv", frames=90, codec="mjpeg", pixel_format="yuvj420p", stamps=stamps, time_base=MILLISECOND)
    with open_clip(path) as clip:
        assert clip.facts.stamp_s == 0.001
        times_s = [frame.time_s for frame in clip]
        tally = clip.tally()
    assert times_s == [stamp / 1000 for stamp in stamps]
    # Rounding moves each end by half a stamp at the most.
    assert tally.observed_rate_hz == pytest.approx(30 / 1.001, rel=0.001 / 2.97)
    assert tally.duration_s == pytest.approx(3.003, abs=0.001)


def test_pictures_come_in_the_order_they_are_shown(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=30, options={"bf": "4", "b_strategy": "0", "g": "15"})
    with av.open(str(path)) as other:
        kinds = {int(picture.pict_type) for picture in other.decode(video=0)}
    assert len(kinds) == 3, "the clip must hold I, P and B pictures"
    frames = read(path)
    assert [frame.time_s for frame in frames] == [index / 30 for index in range(30)]
    for frame in frames:
        assert frame.luma.mean() == pytest.approx(brightness(frame.index, 8), abs=1.5)


def test_missing_frames_are_counted(write_clip: Writer) -> None:
    stamps = [index for index in range(40) if index not in (7, 20, 21, 22)]
    path = write_clip("a.mp4", frames=36, stamps=stamps)
    with open_clip(path) as clip:
        for _ in clip:
            pass
        tally = clip.tally()
    assert (tally.frames, tally.dropped, tally.corrupt, tally.repeated_or_backward) == (36, 4, 0, 0)
    assert tally.observed_rate_hz == pytest.approx(30, rel=1e-12)
    assert tally.duration_s == pytest.approx(40 / 30, rel=1e-12)


def test_the_tally_says_what_was_read_so_far(write_clip: Writer) -> None:
    with open_clip(write_clip("a.mp4", frames=5)) as clip:
        assert clip.tally().frames == 0
        assert clip.tally().duration_s == 0.0
        assert clip.tally().observed_rate_hz is None
        next(clip)
        assert clip.tally().frames == 1
        assert clip.tally().observed_rate_hz is None
        next(clip)
        assert clip.tally().observed_rate_hz == pytest.approx(30)
        assert clip.tally().duration_s == pytest.approx(2 / 30)


def test_repeated_and_backward_stamps_are_given_as_they_are_and_counted(write_clip: Writer) -> None:
    shown = [0, 33, 67, 67, 50, 133, 167]

    def restamp(index: int, packet: Any) -> Any:
        packet.pts, packet.dts = shown[index], min(shown[index], 33 * min(index, 1) + index)
        return packet

    path = write_clip(
        "a.mkv",
        frames=7,
        codec="mjpeg",
        pixel_format="yuvj420p",
        time_base=MILLISECOND,
        stamps=[33 * index for index in range(7)],
        change_packet=restamp,
    )
    with open_clip(path) as clip:
        frames = list(clip)
        tally = clip.tally()
    assert [frame.time_s for frame in frames] == [0, 0.033, 0.067, 0.067, 0.05, 0.133, 0.167]
    assert [frame.index for frame in frames] == list(range(7))
    for frame in frames:
        assert frame.luma.mean() == pytest.approx(brightness(frame.index, 8), abs=1.5)
    assert (tally.frames, tally.repeated_or_backward) == (7, 2)
    assert tally.duration_s == pytest.approx(0.167 + 0.033, abs=0.005)


def test_reordered_pictures_in_avi_get_their_places_back(write_clip: Writer) -> None:
    path = write_clip("a.avi", frames=20, options={"bf": "2", "b_strategy": "0"})
    with av.open(str(path)) as other:
        stamps = [picture.pts or 0 for picture in other.decode(video=0)]
    assert stamps != sorted(stamps), "libav must make up wrong stamps for this clip"
    frames = read(path)
    assert [frame.time_s for frame in frames] == [index / 30 for index in range(20)]
    for frame in frames:
        assert frame.luma.mean() == pytest.approx(brightness(frame.index, 8), abs=1.5)


@pytest.mark.parametrize("codec", ["libx264", "mpeg4"])
def test_a_lost_picture_does_not_shift_reordered_ones_for_long(write_clip: Writer, codec: str) -> None:
    def lose(index: int, packet: Any) -> Any:
        if index != 5:
            return packet
        empty = av.Packet(bytes(packet.size))
        empty.stream, empty.time_base = packet.stream, packet.time_base
        empty.pts, empty.dts = packet.pts, packet.dts
        return empty

    options = {"bf": "2", "b_strategy": "0", "g": "10", "qmax": "4"}
    path = write_clip("a.avi", frames=30, codec=codec, options=options, change_packet=lose)
    frames = read(path)
    assert len(frames) == 29
    # The picture is lost in the first group of ten; a key frame begins each group.
    later = [frame for frame in frames if frame.index >= 12]
    assert [round(30 * frame.time_s) for frame in later] == list(range(13, 30))
    for frame in later:
        assert frame.luma.mean() == pytest.approx(brightness(round(30 * frame.time_s), 8), abs=1.5)


def test_frames_without_a_stamp_are_skipped_and_counted(write_clip: Writer) -> None:
    def unstamped(pictures: Any) -> Any:
        for index, picture in enumerate(pictures):
            if index in (2, 3):
                picture.pts = None
            yield picture

    with open_clip(write_clip("a.mp4", frames=10)) as clip:
        clip._pictures = unstamped(clip._pictures)
        frames = list(clip)
        tally = clip.tally()
    assert [round(30 * frame.time_s) for frame in frames] == [0, 1, 2, 5, 6, 7, 8, 9]
    assert (tally.frames, tally.unstamped, tally.dropped) == (8, 2, 2)


# --- damage -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a.mkv", "a.mov"])
def test_frames_that_do_not_decode_are_counted_and_skipped(write_clip: Writer, name: str) -> None:
    def spoil(index: int, packet: Any) -> Any:
        if index not in (0, 3, 7):
            return packet
        broken = av.Packet(b"\x00" * packet.size)
        broken.stream, broken.time_base = packet.stream, packet.time_base
        broken.pts, broken.dts, broken.is_keyframe = packet.pts, packet.dts, True
        return broken

    path = write_clip(name, frames=10, codec="mjpeg", pixel_format="yuvj420p", change_packet=spoil)
    with open_clip(path) as clip:
        frames = list(clip)
        tally = clip.tally()
    assert (tally.frames, tally.corrupt, tally.dropped) == (7, 3, 2)
    assert [round(30 * frame.time_s) for frame in frames] == [0, 1, 3, 4, 5, 7, 8]
    assert [round((frame.luma.mean() - brightness(0, 8)) / 5) for frame in frames] == [1, 2, 4, 5, 6, 8, 9]


def test_pictures_that_the_decoder_patched_up_are_not_given(write_clip: Writer) -> None:
    def spoil(index: int, packet: Any) -> Any:
        if index not in (4, 9):
            return packet
        broken = av.Packet(bytes(packet)[:40] + b"\xff" * (packet.size - 40))
        broken.stream, broken.time_base = packet.stream, packet.time_base
        broken.pts, broken.dts, broken.is_keyframe = packet.pts, packet.dts, True
        return broken

    path = write_clip("a.mkv", frames=15, options={"g": "1", "bf": "0", "qp": "10"}, change_packet=spoil)
    with av.open(str(path)) as other:
        patched = [picture.is_corrupt for picture in other.decode(video=0)]
    assert sum(patched) == 2, "the decoder must hand over patched pictures for this clip"
    with open_clip(path) as clip:
        frames = list(clip)
        tally = clip.tally()
    assert (tally.frames, tally.corrupt, tally.dropped) == (13, 2, 2)
    assert {round(30 * frame.time_s) for frame in frames} == set(range(15)) - {4, 9}


def test_damaged_bytes_inside_a_picture_are_noticed(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=60, options={"g": "10", "qp": "10"})
    data = bytearray(path.read_bytes())
    start, end = data.index(b"mdat") + 4, data.index(b"moov")
    middle = (start + end) // 2
    data[middle : middle + (end - start) // 8] = b"\xa5" * ((end - start) // 8)
    path.write_bytes(data)
    with open_clip(path) as clip:
        frames = list(clip)
        tally = clip.tally()
    assert tally.corrupt > 0
    assert 30 <= tally.frames == len(frames) < 60
    assert np.all(np.diff([frame.time_s for frame in frames]) > 0)


def test_a_cut_off_file_gives_what_it_holds(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=60, options={"g": "10"}, container_options={"movflags": "faststart"})
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    with open_clip(path) as clip:
        assert clip.facts.declared_frames == 60
        assert 10 < len(list(clip)) < 60


def test_a_change_of_picture_size_on_the_way_is_refused(write_clip: Writer) -> None:
    first = write_clip("a.ts", frames=5)
    second = write_clip("b.ts", frames=5, size=(64, 48))
    joined = first.with_name("joined.ts")
    joined.write_bytes(first.read_bytes() + second.read_bytes())
    with (
        open_clip(joined) as clip,
        pytest.raises(ClipUnreadable, match=r"from 102 x 58 yuv420p to 64 x 48 yuv420p after 0.1[37] s"),
    ):
        list(clip)


# --- facts --------------------------------------------------------------------------------------------------


def test_facts_of_a_plain_clip(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=12, metadata={"comment": "bench"})
    with open_clip(path) as clip:
        facts = clip.facts
    assert facts.path == str(path)
    assert "mp4" in facts.container
    assert facts.declared_rate_hz == pytest.approx(30)
    assert facts.declared_frames == 12
    assert facts.duration_s == pytest.approx(0.4)
    assert facts.capture_rate_hz is None
    assert facts.full_range is False
    assert facts.transfer == "unknown"
    assert facts.decoder.startswith(f"PyAV {av.__version__}, libavcodec ")
    assert ("comment", "bench") in facts.metadata


def test_a_tag_that_is_not_unicode_does_no_harm(write_clip: Writer) -> None:
    path = write_clip("a.mkv", metadata={"comment": "bench"})
    path.write_bytes(path.read_bytes().replace(b"bench", b"b\xe9nch"))
    with open_clip(path) as clip:
        assert ("COMMENT", "b\N{REPLACEMENT CHARACTER}nch") in clip.facts.metadata


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes only on Linux")
def test_a_file_name_that_is_not_unicode(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=3)
    odd = path.rename(path.with_name(os.fsdecode(b"plat\xe9.mp4")))
    assert len(read(odd)) == 3


def test_nothing_of_the_decoding_library_leaves(write_clip: Writer) -> None:
    with open_clip(write_clip("a.mp4", frames=2)) as clip:
        frame, tally = next(clip), clip.tally()
        for record in (clip.facts, frame, tally):
            for field in dataclasses.fields(record):
                value = getattr(record, field.name)
                assert type(value).__module__ in ("builtins", "numpy"), field.name
        hash(clip.facts)
        assert all(type(text) is str for pair in clip.facts.metadata for text in pair)


@pytest.mark.parametrize(("text", "rate_hz"), [("240.000000", 240.0), ("fast", None), ("0", None), ("inf", None)])
def test_the_capture_rate_of_slow_motion_is_read(write_clip: Writer, text: str, rate_hz: float | None) -> None:
    path = write_clip(
        "a.mp4",
        metadata={"com.android.capture.fps": text},
        container_options={"movflags": "use_metadata_tags"},
    )
    with open_clip(path) as clip:
        assert ("com.android.capture.fps", text) in clip.facts.metadata
        assert clip.facts.capture_rate_hz == rate_hz


def test_the_capture_rate_is_read_as_phones_write_it(write_clip: Writer) -> None:
    path = write_clip(
        "a.mp4",
        metadata={"com.android.capture.fps": "2222"},
        container_options={"movflags": "use_metadata_tags"},
    )
    data = bytearray(path.read_bytes())
    at = data.index(b"2222") - 8
    data[at : at + 12] = struct.pack(">IIf", 23, 0, 239.76)
    path.write_bytes(data)
    with open_clip(path) as clip:
        assert clip.facts.capture_rate_hz == pytest.approx(239.76, abs=1e-3)


@pytest.mark.parametrize(("intent", "slow"), [(0, True), (1, False)])
def test_the_wish_for_slow_playback_is_read(write_clip: Writer, intent: int, slow: bool) -> None:
    # An unsigned integer of one byte, type 22; published QuickTime metadata key and type code.
    key = "com.apple.quicktime.full-frame-rate-playback-intent"
    path = write_clip("a.mp4", metadata={key: "2222"}, container_options={"movflags": "use_metadata_tags"})
    data = bytearray(path.read_bytes())
    at = data.index(b"2222") - 8
    data[at : at + 12] = struct.pack(">III", 22, 0, intent)
    path.write_bytes(data)
    with open_clip(path) as clip:
        assert clip.facts.slow_motion is slow
        assert clip.facts.capture_rate_hz is None


def test_files_without_stamps_say_so(write_clip: Writer) -> None:
    with open_clip(write_clip("a.avi", codec="mjpeg", pixel_format="yuvj420p")) as clip:
        assert clip.facts.stamps == "counted"
    with open_clip(write_clip("a.mp4")) as clip:
        assert clip.facts.stamps == "container"
        assert clip.facts.slow_motion is None


@pytest.mark.parametrize(("transfer", "expected"), [("smpte2084", "pq"), ("arib-std-b67", "hlg"), ("bt709", "sdr")])
def test_the_transfer_is_told(write_clip: Writer, transfer: str, expected: str) -> None:
    options = {"x264-params": f"transfer={transfer}"}
    path = write_clip("a.mp4", pixel_format="yuv420p10le", options=options)
    with open_clip(path) as clip:
        assert clip.facts.transfer == expected


@pytest.mark.parametrize(("pixel_format", "options"), [("yuv420p", {"color_range": "pc"}), ("yuvj420p", {})])
def test_full_range_is_told(write_clip: Writer, pixel_format: str, options: dict[str, str]) -> None:
    with open_clip(write_clip("a.mp4", pixel_format=pixel_format, options=options)) as clip:
        assert clip.facts.full_range is True


# --- life of a clip -----------------------------------------------------------------------------------------


def pictures_in_memory() -> int:
    return sum(type(item) is av.VideoFrame for item in gc.get_objects())


def test_memory_does_not_grow_with_the_number_of_frames(write_clip: Writer) -> None:
    path = write_clip("a.mkv", frames=300, codec="ffv1", options={"g": "1"})
    before = pictures_in_memory()
    alive: list[int] = []
    pictures: list[int] = []
    with open_clip(path) as clip:
        seen: list[weakref.ref[Frame]] = []
        for frame in clip:
            seen.append(weakref.ref(frame))
            alive.append(sum(ref() is not None for ref in seen))
            if frame.index in (30, 250):
                pictures.append(pictures_in_memory() - before)
    assert len(alive) == 300
    assert max(alive) <= 2
    # The decoder's threads hold a few pictures each.
    assert max(pictures) < 10


def test_a_clip_is_read_once_and_then_closed(write_clip: Writer) -> None:
    clip = open_clip(write_clip("a.mp4", frames=4))
    with clip:
        assert len(list(clip)) == 4
        assert list(clip) == []
    with pytest.raises(UsageError, match="has been closed"):
        next(clip)
    clip.close()
    assert clip.tally().frames == 4


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="open files are counted through /proc")
def test_no_file_stays_open(write_clip: Writer, tmp_path: Path) -> None:
    clip, sound = write_clip("a.mp4"), tmp_path / "sound.m4a"
    write_sound(sound)
    before = len(os.listdir("/proc/self/fd"))
    with open_clip(clip) as opened:
        next(opened)
        assert len(os.listdir("/proc/self/fd")) > before
    with pytest.raises(ClipUnreadable):
        open_clip(sound)
    assert len(os.listdir("/proc/self/fd")) == before


def test_importing_the_layer_does_not_load_the_decoder() -> None:
    code = "import sys, strobe.capture; sys.exit('av' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


# --- what is no clip ----------------------------------------------------------------------------------------


def write_sound(path: Path, *, cover: bool = False) -> None:
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("aac", rate=48000)
        picture: Any = container.add_stream("mjpeg", rate=1) if cover else None
        if cover:
            picture.width, picture.height, picture.pix_fmt = 64, 48, "yuvj420p"
            picture.disposition = av.stream.Disposition.attached_pic
        for index in range(20):
            sound = av.AudioFrame(format="fltp", layout="mono", samples=1024)
            sound.planes[0].update(bytes(sound.planes[0].buffer_size))
            sound.sample_rate, sound.pts = 48000, 1024 * index
            container.mux(stream.encode(sound))
        container.mux(stream.encode(None))
        if cover:
            art = av.VideoFrame(64, 48, "yuvj420p")
            fill(art, 0)
            art.pts = 0
            container.mux(picture.encode(art))
            container.mux(picture.encode(None))


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ClipUnreadable, match=r"none\.mp4 does not exist; check the name and the folder"):
        open_clip(tmp_path / "none.mp4")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("as-fuond.mp4", "as-found.mp4"),
        ("as-found", "as-found.mp4"),
        ("AS-FOUND.MOV", "as-found.mp4"),
        ("b.mp4", None),
        ("dekc.mp4", None),
        ("none/as-found.mp4", None),
        ("clps/", "clips"),
    ],
)
def test_a_mistyped_name_is_answered_with_the_nearest_in_its_folder(
    tmp_path: Path, typed: str, meant: str | None
) -> None:
    """Short names that share a suffix only are not near each other, and a near name of another kind is not meant."""
    for name in ("as-found.mp4", "as-found.json", "a.mp4", ".as-fuond.mp4", "deck.toml"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "clips").mkdir()
    words = "; check the name and the folder." if meant is None else f". Did you mean {str(tmp_path / meant)!r}?"
    with pytest.raises(ClipUnreadable) as error:
        open_clip(f"{tmp_path}/{typed}")
    assert str(error.value) == f"{tmp_path}/{typed} does not exist{words}"


def test_a_mistyped_name_is_looked_for_where_one_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "clip.mp4").write_bytes(b"")
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ClipUnreadable, match=r"clpi\.mp4 does not exist\. Did you mean 'clip\.mp4'\?"):
        open_clip("clpi.mp4")


def test_a_name_that_cannot_be() -> None:
    with pytest.raises(ClipUnreadable, match=r"cannot be opened \(.*null"):
        open_clip("a\0b.mp4")


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ClipUnreadable, match="is a folder; give the clips"):
        open_clip(tmp_path)


def test_a_device() -> None:
    with pytest.raises(ClipUnreadable, match="is a device or a pipe"):
        open_clip(os.devnull)


def test_a_file_that_may_not_be_read(write_clip: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_clip("a.mp4")
    monkeypatch.setattr(os, "access", lambda name, mode: False)
    with pytest.raises(ClipUnreadable, match="may not be read by this user"):
        open_clip(path)


def test_an_empty_file(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    path.touch()
    with pytest.raises(ClipUnreadable, match=r"is empty \(0 bytes\)"):
        open_clip(path)


@pytest.mark.parametrize("content", [b"The dots creep to the left.\n" * 40, bytes(range(256)) * 64])
def test_a_file_that_is_no_video(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.mp4"
    path.write_bytes(content)
    with pytest.raises(ClipUnreadable, match=r"a\.mp4 is not a video file that can be read \("):
        open_clip(path)


def test_a_recording_that_was_never_finished(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=30)
    data = path.read_bytes()
    path.write_bytes(data[: data.index(b"moov") - 4])
    with pytest.raises(ClipUnreadable, match="cut off while it was recorded"):
        open_clip(path)


def test_sound_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.m4a"
    write_sound(path)
    with pytest.raises(ClipUnreadable, match="has no video track, it holds only audio"):
        open_clip(path)


@pytest.mark.skipif(not hasattr(av.stream, "Disposition"), reason="this PyAV cannot tell cover art from video")
def test_sound_with_a_cover_picture(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    write_sound(path, cover=True)
    with av.open(str(path)) as container:
        assert len(container.streams.video) == 1
    with pytest.raises(ClipUnreadable, match="has no video track, it holds only audio"):
        open_clip(path)


def test_a_video_track_without_frames(write_clip: Writer) -> None:
    path = write_clip("a.avi", frames=1, codec="mjpeg", pixel_format="yuvj420p")
    data = path.read_bytes()
    at = data.index(b"movi") + 4
    path.write_bytes(data[:at] + data[at:].replace(b"00dc", b"JUNK"))
    with pytest.raises(ClipUnreadable, match="video track without a single frame"):
        open_clip(path)


def test_a_clip_of_which_nothing_decodes(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=20)
    data = bytearray(path.read_bytes())
    start, end = data.index(b"mdat") + 4, data.index(b"moov") - 4
    data[start:end] = b"\xff" * (end - start)
    path.write_bytes(data)
    with pytest.raises(ClipUnreadable, match=r"none of its frames could be decoded \(\d+ failed\)"):
        open_clip(path)


def test_a_coding_that_nobody_knows(write_clip: Writer) -> None:
    path = write_clip("a.mp4", frames=3)
    data = path.read_bytes()
    path.write_bytes(data.replace(b"avc1", b"zzz9").replace(b"avcC", b"free"))
    with pytest.raises(ClipUnreadable, match="coded in a way that the installed PyAV cannot decode"):
        open_clip(path)


def test_an_absurd_picture_size(write_clip: Writer) -> None:
    path = write_clip("a.avi", frames=2, codec="rawvideo")
    size = struct.pack("<ii", WIDTH, HEIGHT)
    path.write_bytes(path.read_bytes().replace(size, struct.pack("<ii", 16000, 16000)))
    with pytest.raises(ClipUnreadable, match="picture whose size cannot be read; the limit is 36 million"):
        open_clip(path)


def test_a_picture_larger_than_any_camera_takes_is_refused_before_it_is_decoded(write_clip: Writer) -> None:
    """Header and pictures say 9000 x 9000, in a file of a few kilobytes."""
    path = write_clip("a.avi", frames=2, codec="mjpeg", pixel_format="yuvj420p")
    data = path.read_bytes()
    for old, new in (
        (struct.pack("<ii", WIDTH, HEIGHT), struct.pack("<ii", 9000, 9000)),
        (
            b"\xff\xc0\x00\x11\x08" + struct.pack(">HH", HEIGHT, WIDTH),
            b"\xff\xc0\x00\x11\x08" + struct.pack(">HH", 9000, 9000),
        ),
    ):
        assert old in data
        data = data.replace(old, new)
    path.write_bytes(data)
    with pytest.raises(ClipUnreadable, match="36 million"):
        open_clip(path)


def test_a_decoder_that_is_not_installed(write_clip: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_clip("a.mp4")
    monkeypatch.setitem(sys.modules, "av", None)
    with pytest.raises(MissingLibrary, match="pip install av"):
        open_clip(path)


# --- files that point elsewhere -----------------------------------------------------------------------------


def test_a_playlist_does_not_lead_to_another_file(write_clip: Writer) -> None:
    segment = write_clip("part.ts", frames=30)
    text = f"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n{segment.name}\n#EXT-X-ENDLIST\n"
    playlist, dressed = segment.with_name("list.m3u8"), segment.with_name("list.mp4")
    for path in (playlist, dressed):
        path.write_text(text)
    with av.open(str(playlist)) as followed:
        assert len(list(followed.decode(video=0))) == 30, "without the limits the playlist is followed"
    for path in (playlist, dressed):
        with pytest.raises(ClipUnreadable, match="is not a video file"):
            open_clip(path)


@pytest.mark.parametrize("name", ["list.mp4", "list.ffconcat"])
def test_a_concat_script_does_not_lead_to_another_file(write_clip: Writer, name: str) -> None:
    part = write_clip("part.mp4", frames=30)
    script = part.with_name(name)
    script.write_text(f"ffconcat version 1.0\nfile {part.name}\n")
    with av.open(str(script)) as followed:
        assert len(list(followed.decode(video=0))) == 30, "without the limits the script is followed"
    with pytest.raises(ClipUnreadable, match="is not a video file"):
        open_clip(script)


@pytest.mark.parametrize(
    "text",
    [
        "v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nt=0 0\nm=video 5004 RTP/AVP 96\n"
        "a=rtpmap:96 H264/90000\n",
        ";FFMETADATA1\ntitle=x\n",
        '<?xml version="1.0"?><MPD xmlns="urn:mpeg:dash:schema:mpd:2011" type="static"></MPD>',
    ],
    ids=["session description", "tags", "manifest"],
)
def test_other_scripts_are_no_clips(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.mp4"
    path.write_text(text)
    with pytest.raises(ClipUnreadable, match="is not a video file"):
        open_clip(path)


def test_a_name_that_looks_like_an_address_is_a_file(write_clip: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_clip("part.mp4", frames=3)
    monkeypatch.chdir(path.parent)
    for address in ("http://127.0.0.1:9/a.mp4", "concat:part.mp4|part.mp4", "file:part.mp4"):
        with pytest.raises(ClipUnreadable, match="does not exist"):
            open_clip(address)
    odd = path.rename(path.with_name("concat:a|b %d.mp4"))
    assert len(read(odd)) == 3
    assert len(list(open_clip(odd.name))) == 3


def test_only_plain_files_are_opened(write_clip: Writer, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_clip("part.ts", frames=10)
    plain_open, limits = av.open, {}

    def watched_open(file: str, *arguments: Any, **keywords: Any) -> Any:
        limits.update(keywords["options"])
        return plain_open(file, *arguments, **keywords)

    monkeypatch.setattr(av, "open", watched_open)
    assert len(read(path)) == 10
    with plain_open(f"concat:{path}|{path}") as followed:
        assert len(followed.streams.video) == 1, "without the limits the protocol is followed"
    with pytest.raises(av.error.FFmpegError):
        plain_open(f"concat:{path}|{path}", options=limits)


def test_media_kept_in_another_file_is_not_fetched(write_clip: Writer) -> None:
    holder = write_clip("holder.mp4", frames=10)
    secret = holder.with_name("secret.bin")
    data = holder.read_bytes()
    secret.write_bytes(data)
    outer = holder.with_name("outer.mp4")
    outer.write_bytes(with_outside_reference(data, secret.name))
    with av.open(str(outer), options={"enable_drefs": "1"}) as followed:
        assert len(list(followed.decode(video=0))) == 10, "without the limits the reference is followed"
    with pytest.raises(ClipUnreadable, match="its pictures are kept in another file"):
        open_clip(outer)


def with_outside_reference(data: bytes, name: str) -> bytes:
    """An MP4 file whose media lie in the file `name` beside it, by an alias record in its data reference."""
    text = name.encode()
    alias = bytes(10) + bytes(28) + bytes(12) + bytes([len(text)]) + text.ljust(63, b"\0") + bytes(16)
    alias += struct.pack(">hh", 1, 1) + bytes(16)
    alias += struct.pack(">hh", 2, len(text)) + text + bytes(len(text) % 2) + struct.pack(">hh", -1, 0)
    entry = struct.pack(">I4sI", 12 + len(alias), b"alis", 0) + alias
    old = struct.pack(">I4sI", 12, b"url ", 1)
    moov = bytearray(data[data.index(b"moov") - 4 :])
    grown = len(entry) - len(old)
    for box in (b"moov", b"trak", b"mdia", b"minf", b"dinf", b"dref"):
        at = moov.index(box) - 4
        moov[at : at + 4] = struct.pack(">I", struct.unpack(">I", moov[at : at + 4])[0] + grown)
    at = moov.index(old)
    moov[at : at + len(old)] = entry
    start = data.index(b"mdat") + 4
    blank = bytes(data.index(b"moov") - 4 - start)
    return data[:start] + blank + bytes(moov)
