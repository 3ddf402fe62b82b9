"""What it does with clips that must not be measured, and with difficult ones that should be: a line each, and scores.

``python tests/study_refusals.py`` runs the whole library of ``tests/refusals.py``; ``--only NAME,NAME`` takes some,
``--seed N`` draws others, ``--keep FOLDER`` keeps the clips for the next run, ``--list`` prints the names. The exit
status is 1 where a reading was confidently wrong, or more than a tenth of the difficult clips were refused.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from refusals import DIFFICULT, NOT_TO_MEASURE, Trial, Written, write_trial

import strobe
from strobe.errors import ClipUnreadable
from strobe.render import Truth

__all__ = ["CONFIDENT", "MOST_NEEDLESS", "Score", "main", "score"]

CONFIDENT = 1.5
"""Times the stated 95 % half-width from which a truth outside counts as confidently wrong; chance is 0.3 %."""

MOST_NEEDLESS = 0.1


@dataclass(frozen=True)
class Score:
    """What became of one clip.

    Attributes
    ----------
    name : str
    outcome : str
        Code of the refusal, ``unreadable``, or ``read``.
    detail : str
        What was said, in short.
    wrong : bool
        Whether it is a reading that no platter in the clip is covered by.
    odd : bool
        Whether the refusal says something else than what is the matter.
    seconds : float
        For writing and measuring.
    """

    name: str
    outcome: str
    detail: str
    wrong: bool
    odd: bool
    seconds: float


def score(trial: Trial, folder: Path, *, seed: int) -> Score:
    """Write a clip, measure it, and judge what comes out."""
    began = time.monotonic()
    path, written = write_trial(trial, folder, seed=seed)
    outcome, detail, wrong, odd = _judge(trial, path, written)
    return Score(trial.name, outcome, detail, wrong, odd, time.monotonic() - began)


def _judge(trial: Trial, path: Path, written: Written) -> tuple[str, str, bool, bool]:
    try:
        reading = strobe.measure(path, **written.told)
    except strobe.Refused as refused:
        odd = bool(trial.codes) and refused.code not in trial.codes
        return refused.code, refused.message, False, odd
    except ClipUnreadable as error:
        return "unreadable", str(error).replace(str(path), "it"), False, False
    notes = ",".join(note.code for note in reading.notes) or "-"
    s, f = reading.speed, reading.fluctuation
    said = f"{s.mean_rpm:.3f} rpm +-{s.uncertainty_percent:.3f} %, rms {f.weighted_rms_percent:.3f} % "
    said += f"+-{f.weighted_rms_uncertainty_percent:.3f}, {reading.timing.line}, notes {notes}"
    misses = [_miss(reading, truth) for truth in written.truths]
    if not misses:
        return "read", said, True, False
    worst, figure = min(misses)
    truth = written.truths[misses.index((worst, figure))]
    said += f"; true {truth.mean_rpm:.3f}, {truth.weighted_rms_percent:.3f}: {figure} {worst:.2f} of stated"
    return "read", said, worst > CONFIDENT, False


def _miss(reading: strobe.Measurement, truth: Truth) -> tuple[float, str]:
    """The worst error as a multiple of its stated half-width, and the figure's name."""
    speed, f = reading.speed, reading.fluctuation
    errors = {"speed": abs(100 * (speed.mean_rpm / truth.mean_rpm - 1)) / speed.uncertainty_percent}
    for kind in ("weighted", "unweighted"):
        for ours, theirs in (("rms", "rms"), ("peak", "2sigma")):
            off = getattr(f, f"{kind}_{ours}_percent") - getattr(truth, f"{kind}_{theirs}_percent")
            errors[f"{kind} {ours}"] = abs(off) / getattr(f, f"{kind}_{ours}_uncertainty_percent")
    name = max(errors, key=errors.__getitem__)
    return errors[name], name


def _scores(trials: Iterable[Trial], folder: Path, seed: int) -> Iterator[Score]:
    for trial in trials:
        one = score(trial, folder, seed=seed)
        mark = "WRONG" if one.wrong else "odd" if one.odd else ""
        print(f"{one.name:28s} {one.outcome:13s} {mark:5s} {one.seconds:5.1f} s  {one.detail}", flush=True)
        yield one


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="names, with commas between them")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--list", action="store_true")
    asked = parser.parse_args()
    if asked.list:
        print("\n".join(trial.name for trial in (*NOT_TO_MEASURE, *DIFFICULT)))
        return
    chosen = set(asked.only.split(",")) if asked.only else None
    taken = [[t for t in group if chosen is None or t.name in chosen] for group in (NOT_TO_MEASURE, DIFFICULT)]
    with tempfile.TemporaryDirectory() as passing:
        folder = Path(passing) if asked.keep is None else asked.keep
        folder.mkdir(parents=True, exist_ok=True)
        barred, hard = ([*_scores(group, folder, asked.seed)] for group in taken)
    wrong = sum(one.wrong for one in (*barred, *hard))
    needless = sum(one.outcome != "read" for one in hard)
    refused = sum(one.outcome != "read" for one in barred)
    covered = len(barred) - refused - sum(one.wrong for one in barred)
    print(f"\nnot to be measured  {len(barred)}: refused {refused}, read and covered {covered}")
    print(f"difficult           {len(hard)}: read {len(hard) - needless}, refused {needless}")
    print(f"confidently wrong   {wrong} (0 allowed)")
    print(f"refused for another reason than the right one: {sum(one.odd for one in barred)}")
    if wrong or needless > MOST_NEEDLESS * len(hard):
        raise SystemExit(1)


if __name__ == "__main__":
    main()
