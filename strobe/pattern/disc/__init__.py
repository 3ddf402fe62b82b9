"""A disc seen from above: found in the first frames, its rings read round the circle, and what turns beside them."""

from __future__ import annotations

from strobe.pattern.disc.drafting import runs_all_ways
from strobe.pattern.disc.finding import find_disc
from strobe.pattern.disc.geometry import FoundDisc, FoundRing
from strobe.pattern.disc.lanes import DiscFacts, DiscLight, LaneReader, darkness, learn_lanes
from strobe.pattern.disc.rings import RingPlaces, RingReader, learn_ring
from strobe.pattern.disc.standing import CalmWatch, bears_out, watch_beside

__all__ = [
    "CalmWatch",
    "DiscFacts",
    "DiscLight",
    "FoundDisc",
    "FoundRing",
    "LaneReader",
    "RingPlaces",
    "RingReader",
    "bears_out",
    "darkness",
    "find_disc",
    "learn_lanes",
    "learn_ring",
    "runs_all_ways",
    "watch_beside",
]
