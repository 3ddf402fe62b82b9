"""Phase: from amplitudes over time to the platter's angle, with the lamp and the camera's clock told apart."""

from __future__ import annotations

from strobe.phase.blocks import align_blocks, combine_blocks, lit_frames, part_lines
from strobe.phase.coarse import CoarseLine, find_line, follow_phase
from strobe.phase.flicker import find_flicker, folded_hz, shows_line
from strobe.phase.lamp import FlashRate, measure_flash_rate
from strobe.phase.lines import LINE_ORDERS, LineReading, read_line
from strobe.phase.slips import jumps_of
from strobe.phase.timebase import TimeBase, fit_time_base
from strobe.phase.travel import MarkTravel, find_travel
from strobe.phase.turns import TurnSignature, find_turns, whole_turns
from strobe.phase.waves import apparent_hz, distinct_waves, hann, share_off_step, steps_off, swing_along, without_waves

__all__ = [
    "LINE_ORDERS",
    "CoarseLine",
    "FlashRate",
    "LineReading",
    "MarkTravel",
    "TimeBase",
    "TurnSignature",
    "align_blocks",
    "apparent_hz",
    "combine_blocks",
    "distinct_waves",
    "find_flicker",
    "find_line",
    "find_travel",
    "find_turns",
    "fit_time_base",
    "folded_hz",
    "follow_phase",
    "hann",
    "jumps_of",
    "lit_frames",
    "measure_flash_rate",
    "part_lines",
    "read_line",
    "share_off_step",
    "shows_line",
    "steps_off",
    "swing_along",
    "whole_turns",
    "without_waves",
]
