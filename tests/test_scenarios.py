"""The scenario study itself: what it says of clips that are read otherwise than before."""

from __future__ import annotations

import json

import pytest
from study_scenarios import differences

READ = {"deviation": [0.001, 0.010], "weighted_rms": [-0.004, 0.008]}


@pytest.mark.parametrize(
    ("then", "now", "said"),
    [
        (READ, READ, None),
        ("ambiguous", "ambiguous", None),
        (READ, {**READ, "deviation": [0.0015, 0.0105]}, None),
        ("ambiguous", "shaken", "ambiguous -> shaken"),
        ("ambiguous", READ, "ambiguous -> read, weighted_rms off by 0.50 of what is stated"),
        (READ, "shaken", "read, weighted_rms off by 0.50 of what is stated -> shaken"),
        (READ, {**READ, "deviation": [0.003, 0.010]}, "deviation +0.0010 of 0.0100 -> +0.0030 of 0.0100"),
        (READ, {**READ, "weighted_rms": [-0.004, 0.1]}, "weighted_rms -0.0040 of 0.0080 -> -0.0040 of 0.1000"),
    ],
)
def test_a_clip_read_otherwise_is_told_from_one_read_as_before(then: object, now: object, said: str | None) -> None:
    before = json.loads(json.dumps({"zoom 1 #0": then, "gone 1 #3": "shaken"}))
    changed = list(differences(before, {"zoom 1 #0": now, "zoom 1 #1": READ}))
    assert changed == ([] if said is None else [f"zoom 1 #0: {said}"])
