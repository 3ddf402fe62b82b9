"""The turn map in characters: one line a turn, platter angle across, the darker the sign the faster the platter."""

from __future__ import annotations

import numpy as np

from strobe.drive.locking import TurnMap

__all__ = ["RAMP", "turn_map_lines"]

RAMP = " .:-=+*#%@"
"""From slow to fast; each sign covers more of its place than the one before."""

MOST_LINES = 34
LABEL = 5


def turn_map_lines(turns: TurnMap, *, width: int) -> list[str]:
    """The map as lines of at most `width` characters, the scale in the last line.

    The steps of the scale are even between the 2nd and 98th percentile of the deviation. Of more than `MOST_LINES`
    turns the first are shown: a mean of several would hide what creeps.
    """
    sectors = min(turns.sectors, width - LABEL)
    value = turns.deviation_percent
    if sectors < turns.sectors:
        edges = np.linspace(0, turns.sectors, sectors + 1).astype(int)
        value = np.add.reduceat(value, edges[:-1], axis=1) / np.diff(edges)
    low, high = np.percentile(value, [2, 98])
    step = (high - low) / len(RAMP) or 1.0
    index = np.clip(((value - low) / step).astype(int), 0, len(RAMP) - 1)
    lines = [f"{'turn':<{LABEL}}{'0':<{sectors // 4}}{'90':<{sectors // 4}}{'180':<{sectors // 4}}270 degrees"]
    for place, row in enumerate(index[:MOST_LINES], start=1):
        lines.append(f"{place:>{LABEL - 2}}  " + "".join(RAMP[i] for i in row))
    if turns.turns > MOST_LINES:
        left = turns.turns - MOST_LINES
        lines.append(f"{left} more turn{'s' * (left > 1)} not shown")
    lines.append(f"slow {low:+.2g} % |{RAMP}| {high:+.2g} % fast")
    return lines
