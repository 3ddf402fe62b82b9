"""Which part does it: suspects ranked by what they explain of a reading, with the evidence and what holds it back.

A part's score is the share of the weighted power in its lines, each times how likely the line is this part's and not
another's, times how likely the size of the fault is. Without a description the three kinds of drive are weighed
against each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from strobe.drive.expected import Expected, range_words
from strobe.drive.features import COVERAGE, Feature, Reading, shown
from strobe.drive.locking import LockedShare, creep_words, locked_share_of
from strobe.drive.machine import DRIVES, Machine
from strobe.drive.model import HARMONICS, MOST_FOLDS, DriveModel, mains_motor
from strobe.drive.parts import PART_BY_KEY, Part
from strobe.drive.sizes import Defect, defect, likelihood_of_size

__all__ = ["Diagnosis", "Suspect", "diagnose"]

DRIVE_PRIOR = {"belt": 0.55, "idler": 0.15, "direct": 0.3}
"""How usual the kinds of drive are, where nobody says which it is; common practice, coarse on purpose."""
SLOWEST_TO_PART = 1 / (1 - 0.936)
"""Turns to part belt and platter: one over the difference of their orders. A belt of 1008 mm round a rim of 300 mm has
0.936 (computed); one round a sub-platter comes round less often."""
CLOSE_SCORES = 0.5
"""Score of the second suspect, by the first's, from which it is not clear which of them it is; our own choice."""
RIVAL_CLAIM = 0.25
"""Claim of another part on the first suspect's own line, by the first's, from which a machine that nobody described
leaves it open which of them it is: four to one is no clear answer where the very kind of drive is a guess. Our own
choice."""
TOLD_DRIVE = 0.6
"""Probability from which the kind of drive is named where nobody described it; our own choice."""
LEAST_SCORE = 0.02
"""Score, size aside, below which a part is not listed; our own choice."""
OWN_CLAIM = 0.2
"""Claim on a feature, 0 to 1, from which it counts as a part's own; by trial."""
SMALLEST_GAP = 0.02
"""Least distance from 1 that a belt's order is taken to have, so that no more than 50 turns are asked for."""
NO_BELT = 0.1
"""Probability of a belt below which a clip of a machine that nobody described need not be longer for its sake; our own
choice."""
LEAST_FIRST = 0.1
"""Score below which the first in the list is no answer; our own choice."""
TELLING_PEAK = 0.25
"""Peak of a multiple, by the strongest's, from which it parts belt and platter sooner; by trial."""
SHORT_S = 25.0
"""A clip below this is asked for again where nothing explains much: in 25 s a hump just above 0.5 Hz has the six bins
(`strobe.drive.features.FEWEST_BINS`) by which it is told from a few lines."""
USUAL_FILM_S = 60.0
"""Seconds asked for at the least: 33 turns at 33 1/3 rpm, twice `SLOWEST_TO_PART`."""


@dataclass(frozen=True)
class Suspect:
    """One part under suspicion.

    Attributes
    ----------
    part : Part
        Row of the check table.
    score : float
        Share of the weighted power in its lines, each times how likely it is this part's, times how likely the
        fault's size is; 0 to 1.
    share : float
        Share of the weighted power in its lines and humps, 0 to 1; parts that may make the same line share it.
    features : tuple of Feature
        Lines or humps that are its own, the strongest first.
    evidence : tuple of str
        Why, one plain sentence each.
    size : Defect or None
        The fault in millimetres.
    """

    part: Part
    score: float
    share: float
    features: tuple[Feature, ...]
    evidence: tuple[str, ...]
    size: Defect | None


@dataclass(frozen=True)
class Diagnosis:
    """Suspects, the likeliest first, and what holds an answer back.

    Attributes
    ----------
    suspects : tuple of Suspect
    unexplained : float
        Share of the weighted power in no line or hump of any suspect.
    no_part : float
        How likely no part of the list makes what was measured, weighted by power; 0 to 1.
    locked : LockedShare or None
        Share of the fluctuation tied to the platter.
    film_seconds : float or None
        For how long to film where this clip is too short to answer.
    film_reason : str or None
        Why.
    doubt : str or None
        Why the first may not be it, and what would tell.
    drive : str or None
        Kind of drive, as described or as the figures have it; None where they do not tell.
    """

    suspects: tuple[Suspect, ...]
    unexplained: float
    no_part: float
    locked: LockedShare | None
    film_seconds: float | None
    film_reason: str | None
    doubt: str | None
    drive: str | None

    @property
    def first(self) -> Suspect | None:
        """The suspect to go for; None where none explains much, or where more film is needed to tell."""
        if self.film_seconds is not None or not self.suspects or self.suspects[0].score < LEAST_FIRST:
            return None
        return self.suspects[0]


def diagnose(reading: Reading, machine: Machine | None = None) -> Diagnosis:
    """Rank the parts of a drive by what they explain of a reading.

    Parameters
    ----------
    reading : Reading
    machine : Machine, optional
        What is known of the drive; without it orders alone must do.
    """
    features = shown(reading).features
    machines = [machine] if machine is not None else [Machine(drive) for drive in DRIVES]
    models = [DriveModel(one, reading, features, described=machine is not None) for one in machines]
    weights = _normalised([math.log(DRIVE_PRIOR[one.machine.drive]) + one.evidence for one in models])
    likeliest = models[int(np.argmax(weights))]
    nothing = np.zeros(len(features))
    claims = {
        key: sum((w * one.claims.get(key, nothing) for w, one in zip(weights, models, strict=True)), nothing)
        for key in {key for model in models for key in model.claims}
    }
    suspects = _listed(features, claims, likeliest, reading, machine)
    rival = _rival(suspects, features, claims) if machine is None else None
    if rival is not None and rival not in {one.part.key for one in suspects}:
        suspects = _listed(features, claims, likeliest, reading, machine, rival=rival)
    belted = weights[[one.machine.drive for one in models].index("belt")] if machine is None else None
    film_seconds, film_reason = _film(suspects, likeliest, reading, belted=belted)
    return Diagnosis(
        suspects=tuple(suspects),
        unexplained=max(0.0, 1.0 - sum(one.share for one in {one for suspect in suspects for one in suspect.features})),
        no_part=max(0.0, 1.0 - sum(float(claim @ [one.share for one in features]) for claim in claims.values())),
        locked=locked_share_of(reading),
        film_seconds=film_seconds,
        film_reason=film_reason,
        doubt=_wrong_size(suspects, likeliest)
        or _unusual(
            suspects,
            likeliest,
            machine,
            _doubt(suspects, machine) or (_undescribed(suspects, rival) if machine is None else None),
        ),
        drive=likeliest.machine.drive if machine is not None else _told_drive(suspects, likeliest, max(weights)),
    )


def _told_drive(suspects: Sequence[Suspect], model: DriveModel, probability: float) -> str | None:
    """The likeliest kind of drive, where a part speaks for it that not every drive has."""
    drive = model.machine.drive
    speaks = any(drive in one.part.drives and set(one.part.drives) != set(DRIVES) for one in suspects)
    return drive if speaks and probability >= TOLD_DRIVE else None


def _listed(
    features: Sequence[Feature],
    claims: dict[str, NDArray[np.float64]],
    model: DriveModel,
    reading: Reading,
    machine: Machine | None,
    *,
    rival: str | None = None,
) -> list[Suspect]:
    """All suspects, the likeliest first; a rival on the first one's line whatever its claim."""
    listed = []
    for key, claim in claims.items():
        least = min(OWN_CLAIM, RIVAL_CLAIM * float(claim.max())) if key == rival else OWN_CLAIM
        listed.append(_suspect(key, features, claim, model, reading, machine, least=least))
    return sorted((one for one in listed if one is not None), key=lambda one: (-one.score, one.part.key))


def _suspect(
    key: str,
    features: Sequence[Feature],
    claims: NDArray[np.float64],
    model: DriveModel,
    reading: Reading,
    machine: Machine | None,
    *,
    least: float,
) -> Suspect | None:
    held = claims * np.array([0.0 if one.below else one.share for one in features])
    own = [features[place] for place in np.argsort(-held) if claims[place] > least and not features[place].below]
    if held.sum() < LEAST_SCORE or not own:
        return None
    size = defect(key, own[0], machine, reading.nominal_rpm, model.expected_of("swing"))
    likely = likelihood_of_size(key, size)
    evidence = _evidence(key, own, model, reading, size, likely)
    share = min(1.0, sum(one.share for one in own))
    return Suspect(PART_BY_KEY[key], float(held.sum() * likely), share, tuple(own), evidence, size)


def _film(
    suspects: Sequence[Suspect], model: DriveModel, reading: Reading, *, belted: float | None
) -> tuple[float | None, str | None]:
    """For how long to film, and why, where this clip is too short to answer; `belted` where nobody said what drives."""
    if not suspects or suspects[0].score < LEAST_FIRST:
        if reading.revolutions / reading.turn_rate_hz < SHORT_S:
            return USUAL_FILM_S, "no part explains much, and so short a clip cannot tell a broad hump from lines"
        return None, None
    may_have_belt = model.machine.drive == "belt" if belted is None else belted > NO_BELT
    if suspects[0].part.key not in ("platter", "lobes", "bearing", "belt") or not may_have_belt:
        return None, None
    belt = model.expected_of("belt")
    needed = SLOWEST_TO_PART
    if belt is not None and belt.order is not None and belt.part not in model.pins:
        needed = 1 / max(1 - belt.order, SMALLEST_GAP)
    told = [one for one in suspects[0].features if one.sharp]
    # Multiples part the two sooner; a strong one decides.
    strongest = max((one.peak_percent for one in told), default=0.0)
    orders = [max(1, round(one.order)) for one in told if one.peak_percent >= TELLING_PEAK * strongest]
    if not told or reading.revolutions * max(orders) >= needed:
        return None, None
    seconds = max(USUAL_FILM_S, 10 * math.ceil(0.15 * needed / reading.turn_rate_hz))
    return seconds, (
        f"belt and platter come round almost alike and take {needed:.0f} turns to be told apart; "
        f"this clip has {reading.revolutions:.1f}"
    )


def _doubt(suspects: Sequence[Suspect], machine: Machine | None) -> str | None:
    if len(suspects) < 2 or suspects[1].score < CLOSE_SCORES * suspects[0].score:
        return None
    first, second = suspects[:2]
    shared = bool(set(first.features) & set(second.features))
    if not shared:
        return None
    way = _way(machine)
    if {first.part.key, second.part.key} == {"bearing", "lobes"}:
        way = "film the platter slowing down without belt, idler or motor (strobe coast), where only a bearing pushes"
    return f"{first.part.name} and {second.part.name} fit almost alike; {way}"


def _wrong_size(suspects: Sequence[Suspect], model: DriveModel) -> str | None:
    """That the first suspect's line may be that of a part whose size was described wrongly."""
    for key, described in model.wrong_size.items():
        line = model.pins[key]
        if suspects and line in suspects[0].features and any(one.part.key == key for one in suspects):
            words = _wrong_size_words(described, line)
            return words if suspects[0].part.key == key else f"it may be the {PART_BY_KEY[key].short}: {words}"
    return None


def _wrong_size_words(described: Expected, line: Feature) -> str:
    assert described.size_mm is not None
    assert described.order is not None
    what = "length" if described.part == "belt" else "diameter"
    short = PART_BY_KEY[described.part].short
    typed = f"your {short} of {described.size_mm:.4g} mm should turn {described.order:.3g} times a turn"
    return (
        f"{typed}; the line is at {line.order:.3g}: "
        f"that would be {described.size_at(line.order):.3g} mm; measure its {what} again"
    )


def _unusual(suspects: Sequence[Suspect], model: DriveModel, machine: Machine | None, other: str | None) -> str | None:
    """Another doubt, and before it that the first suspect, not described, would turn as such parts usually do not."""
    if not suspects:
        return other
    key = suspects[0].part.key
    expected = model.expected_of(key)
    if key not in model.pins or expected is None or expected.order is None or expected.order_range is None:
        return other
    if expected.within(expected.order):
        return other
    words = range_words(expected.order_range)
    outside = f"{expected.order:.3g} times a turn lies outside of what is usual for it, {words}"
    return f"{outside}; {_way(machine)}" if other is None else f"{outside}, and {other}"


def _way(machine: Machine | None) -> str:
    if machine is None:
        return "describe the machine (strobe machine), or film it at another speed too (strobe speeds)"
    return "film it at another speed too (strobe speeds), or do the cheaper check first"


def _rival(
    suspects: Sequence[Suspect], features: Sequence[Feature], claims: dict[str, NDArray[np.float64]]
) -> str | None:
    """Another part that may make the first suspect's own line as well."""
    if not suspects:
        return None
    first = suspects[0]
    place = next(i for i, one in enumerate(features) if one is first.features[0])
    claim = {key: float(claim[place]) for key, claim in claims.items() if key != first.part.key}
    rival = max(claim, key=lambda key: claim[key])
    return rival if claim[rival] >= RIVAL_CLAIM * claims[first.part.key][place] else None


def _undescribed(suspects: Sequence[Suspect], rival: str | None) -> str | None:
    """Why the first suspect's line may be another part's, in a drive that nobody described."""
    if not suspects:
        return None
    first = suspects[0]
    lead = first.features[0]
    motor = mains_motor(lead.frequency_hz) if lead.sharp else None
    whole = abs(lead.order - round(lead.order)) < 2 * lead.order_sigma
    if motor is not None and (whole or first.part.key != "pulley"):
        mains, poles = motor
        if first.part.key == "pulley":
            return f"its line is a whole number of times a turn, as what is tied to the platter makes it; {_way(None)}"
        return f"the pulley of a motor of {poles} poles on {mains} Hz turns at just this rate too; {_way(None)}"
    if rival is None:
        return None
    return f"{first.part.short} and {PART_BY_KEY[rival].short} may both make its line; {_way(None)}"


def _evidence(
    key: str, own: Sequence[Feature], model: DriveModel, reading: Reading, size: Defect | None, likely: float
) -> tuple[str, ...]:
    lead = own[0]
    said = []
    expected = model.expected_of("platter" if key in ("bearing", "lobes") else key, near=lead.order)
    if not lead.sharp:
        said.append(f"a broad hump about {lead.frequency_hz:.2g} Hz, not a line: nothing that turns evenly does that")
        if expected is not None and expected.frequency_hz is not None:
            said.append(f"expected about {expected.frequency_hz:.2g} Hz ({expected.basis})")
    elif expected is not None and expected.order is not None and expected.turns:
        multiple = max(1, round(lead.order / expected.order)) if HARMONICS.get(expected.part, 1) > 1 else 1
        times = "" if multiple == 1 else f"{multiple} x "
        unsure = COVERAGE * lead.order_sigma
        seen = f"{lead.order:.{_decimals(unsure)}f} (±{unsure:.{_decimals(unsure)}f}) times a turn"
        if key in model.wrong_size:
            said.append(_wrong_size_words(model.wrong_size[key], lead))
        elif key in model.pins:
            usual = _usual_words(expected, lead.order / multiple)
            said.append(f"{seen}; {usual}{f', and this is {times}{expected.order:.3f}' if times else ''}")
        else:
            said.append(f"{seen}, expected {times}{expected.order:.4g} ({expected.basis})")
        said.append(creep_words(lead, turns=reading.revolutions))
        if len(own) > 1:
            others = ", ".join(f"{one.order:.2f}" for one in own[1:4])
            said.append(f"with it go {others} times a turn")
    else:
        said.append(f"{lead.order:.3g} times a turn{_folded_words(expected, lead, reading)}")
    if size is not None and likely < 1:
        said.append(f"it would have to be {size.kind} {size.least_mm:.2g} mm or more, which is hardly to be believed")
    return tuple(said)


def _usual_words(expected: Expected, order: float) -> str:
    """What is usual for a part that was not described, and whether an order lies outside of it."""
    assert expected.order_range is not None
    words = range_words(expected.order_range)
    return f"usual for this part are {words}" if expected.within(order) else f"outside of what is usual for it, {words}"


def _folded_words(expected: Expected | None, line: Feature, reading: Reading) -> str:
    """That a line slower than a part usually turns may be that part, faster than the pictures show."""
    if expected is None or expected.order_range is None or expected.within(line.order):
        return ""
    frames = reading.frame_rate_hz / reading.turn_rate_hz
    rates = [fold * frames + side * line.order for fold in range(1, MOST_FOLDS) for side in (-1, 1)]
    usual = [rate for rate in rates if expected.within(rate)]
    words = range_words(expected.order_range)
    if not usual:
        return f"; usual for this part are {words}"
    return f" as filmed, or {usual[0]:.3g} folded by the frame rate; usual for this part are {words}"


def _decimals(spread: float) -> int:
    return min(max(1 - math.floor(math.log10(max(spread, 1e-9))), 1), 4)


def _normalised(log_weight: Sequence[float]) -> list[float]:
    top = max(log_weight)
    value = [math.exp(one - top) for one in log_weight]
    return [one / sum(value) for one in value]
