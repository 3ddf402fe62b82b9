"""How it fares where people film badly: a table of scenarios, each over freshly rendered random clips with known truth.

``python tests/study_scenarios.py --clips 8 --seed 1`` prints one line a scenario; ``--only hand-held-2,portrait``
takes some of them, ``--keep FOLDER`` keeps the clips and uses those that are there, ``--list`` prints the names.
After a mend the kept clips are measured again: ``--write FILE`` writes what each clip gave, and ``--against FILE``
prints each clip that an earlier run read otherwise.
Coverage is the share of clips with the truth inside the stated 95 % interval. A truth outside three times a stated
interval is a confident wrong figure: it is printed with its clip, and the exit status is 1.
"""

from __future__ import annotations

import argparse
import inspect
import json
import tempfile
import time
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import MISSING, fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scenarios import SCENARIOS, Case
from study_measure import Outcome

import strobe
from strobe.render import render_clip, truth_of, truth_path

__all__ = ["confident_wrong", "differences", "line", "main", "remembered", "run", "table"]

CONFIDENT_WRONG = 3.0
"""Times the stated 95 % half-width beyond which a truth must never lie."""

LEAST_COVERAGE = 0.95

MOVED = 0.1
"""Share of the stated half-width by which an error may move and still count as read the same."""


def run(name: str, clips: int, seed: int, *, keep: Path | None = None) -> Iterator[tuple[Outcome, Case, float]]:
    """Render and measure clips of one scenario, with the seconds that each took.

    A clip depends on the seed, the scenario's name and its own number, not on what else is run.
    """
    options = inspect.signature(strobe.measure).parameters
    with tempfile.TemporaryDirectory() as passing:
        folder = Path(passing) if keep is None else keep
        folder.mkdir(parents=True, exist_ok=True)
        for number in range(clips):
            began = time.monotonic()
            rng = np.random.default_rng([seed, zlib.crc32(name.encode()), number])
            case = SCENARIOS[name](rng)
            path = folder / f"{name}-{seed}-{number}{case.suffix}"
            kept = path.exists() and truth_path(path).exists()
            truth = truth_of(case.scene) if kept else render_clip(case.scene, path, rng=rng)
            measured: strobe.Measurement | None = None
            refusal: str | None = None
            if set(case.told) <= set(options):
                try:
                    measured = strobe.measure(path, **case.told)
                except strobe.Refused as refused:
                    refusal = refused.code
            else:
                refusal = "cannot-be-told"
            if keep is None:
                path.unlink()
            yield Outcome(number, case.scene, truth, measured, refusal), case, time.monotonic() - began


def confident_wrong(name: str, o: Outcome, case: Case) -> list[str]:
    """What to say of a clip with figures whose truth lies beyond three times what was stated; nothing else."""
    if o.measured is None:
        return []
    m = o.measured
    bad = {figure: claim for figure, claim in o.claims().items() if abs(claim[0]) > CONFIDENT_WRONG * claim[1]}
    if not bad:
        return []
    figures = ", ".join(
        f"{figure} off by {error:+.4f} with {claimed:.4f} stated" for figure, (error, claimed) in bad.items()
    )
    return [
        f"CONFIDENT WRONG  {name} #{o.number}: {figures}",
        f"    line {m.timing.line}, reference {m.timing.reference}, flashes {m.timing.flash_rate_hz}, "
        f"{m.setup.dots} dots at {m.setup.nominal_rpm:.2f} rpm, true deviation {o.truth.deviation_percent:+.4f}, "
        f"notes {','.join(note.code for note in m.notes) or '-'}",
        f"    told {case.told}; {_in_short(case.scene)}",
    ]


def _in_short(part: Any) -> str:
    """A dataclass by the fields that differ from their defaults."""
    if isinstance(part, tuple):
        return f"({', '.join(_in_short(each) for each in part)})"
    if isinstance(part, float):
        return f"{part:.6g}"
    if not is_dataclass(part):
        return repr(part)
    shown = []
    for each in fields(part):
        value = getattr(part, each.name)
        usual = each.default_factory() if each.default_factory is not MISSING else each.default
        if value != usual:
            shown.append(f"{each.name}={_in_short(value)}")
    return f"{type(part).__name__}({', '.join(shown)})"


HEADER = (
    f"{'':33s}{'deviation error %':>20s}{'weighted rms error %':>22s}{'most stated':>16s}   truth inside, % of clips\n"
    f"{'scenario':19s} read refused  {'median':>10s}{'worst':>10s}  {'median':>10s}{'worst':>10s}"
    f"{'dev':>8s}{'wrms':>8s}    dev wrms wpk  urms upk   s/clip"
)


def line(name: str, results: list[Outcome], seconds: float) -> str:
    """One row of the table."""
    read = [o for o in results if o.measured is not None]
    codes = Counter(o.refusal for o in results if o.measured is None)
    refused = ", ".join(f"{code} {count}" for code, count in codes.items())
    head = f"{name:19s} {len(read):4d} {len(results) - len(read):7d}"
    if not read:
        return f"{head}  {refused}"
    numbers = ""
    for errors in (
        np.abs([o.deviation_error_percent for o in read]),
        np.abs([o.weighted_rms_error_percent for o in read]),
    ):
        numbers += f"  {np.median(errors):10.4f}{errors.max():10.4f}"
    widest = [max(o.claims()[name][1] for o in read) for name in ("deviation", "weighted_rms")]
    figures = zip(*(o.claims().values() for o in read), strict=True)
    inside = [100 * np.mean([abs(error) <= claimed for error, claimed in figure]) for figure in figures]
    stated = "".join(f"{most:8.3f}" for most in widest)
    return f"{head}{numbers}{stated}   {' '.join(f'{share:4.0f}' for share in inside)}   {seconds:5.1f}  {refused}"


def table(
    names: Sequence[str], clips: int, seed: int, *, keep: Path | None = None
) -> tuple[list[tuple[str, Outcome]], list[str]]:
    """Print the table; returns all outcomes by scenario, and the names of the clips with confident wrong figures."""
    print(HEADER)
    everything: list[tuple[str, Outcome]] = []
    wrong: list[str] = []
    for name in names:
        results, seconds = [], []
        for outcome, case, took in run(name, clips, seed, keep=keep):
            results.append(outcome)
            seconds.append(took)
            loud = confident_wrong(name, outcome, case)
            if loud:
                wrong.append(f"{name} #{outcome.number}")
                print("\n".join(loud), flush=True)
        print(line(name, results, float(np.mean(seconds))), flush=True)
        everything += [(name, one) for one in results]
    return everything, wrong


def remembered(everything: Sequence[tuple[str, Outcome]], seed: int) -> dict[str, Any]:
    """What each clip gave, as JSON takes it: a refusal's code, or error and stated half-width by figure."""
    return {
        f"{name} {seed} #{o.number}": o.refusal if o.measured is None else {k: list(v) for k, v in o.claims().items()}
        for name, o in everything
    }


def differences(before: dict[str, Any], after: dict[str, Any]) -> Iterator[str]:
    """A line for each clip of both runs that is read now and was not, or the reverse, or is read otherwise."""
    for clip, now in after.items():
        then = before.get(clip, now)
        if isinstance(now, str) or isinstance(then, str):
            if now != then:
                told = [each if isinstance(each, str) else f"read, {_worst(each)}" for each in (then, now)]
                yield f"{clip}: {' -> '.join(told)}"
            continue
        moved = [
            f"{figure} {then[figure][0]:+.4f} of {then[figure][1]:.4f} -> {error:+.4f} of {stated:.4f}"
            for figure, (error, stated) in now.items()
            if max(abs(error - then[figure][0]), abs(stated - then[figure][1])) > MOVED * then[figure][1]
        ]
        if moved:
            yield f"{clip}: {'; '.join(moved)}"


def _worst(figures: dict[str, Sequence[float]]) -> str:
    """The figure furthest out, in times what was stated."""
    ratios = {figure: abs(error) / stated for figure, (error, stated) in figures.items()}
    furthest = max(ratios, key=ratios.__getitem__)
    return f"{furthest} off by {ratios[furthest]:.2f} of what is stated"


def draw(everything: Sequence[tuple[str, Outcome]], file: Path) -> None:
    """Draw the error of every figure as a share of what was stated, one line a scenario."""
    from matplotlib.figure import Figure
    from study_plot import draw_claims, save

    rows: dict[str, dict[str, list[tuple[float, float]]]] = {}
    for name, o in everything:
        if o.measured is not None:
            for figure_name, claim in o.claims().items():
                kind = figure_name.partition("_")[0]
                rows.setdefault(name, {}).setdefault(kind, []).append(claim)
    figure = Figure(figsize=(7, 1 + 0.16 * len(rows)), layout="constrained")
    draw_claims(figure.add_subplot(), rows)
    save(figure, file, title="Errors of every figure as a share of the stated half-width, by scenario")


@pytest.mark.slow
def test_no_scenario_gives_a_confident_wrong_figure() -> None:
    everything, wrong = table(list(SCENARIOS), clips=2, seed=1)
    assert not wrong
    figures = [claim for _, o in everything if o.measured is not None for claim in o.claims().values()]
    assert np.mean([abs(error) <= claimed for error, claimed in figures]) >= LEAST_COVERAGE


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=8)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", help="names, separated by commas")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the clips there, and use those that are")
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw the errors by what was stated, .svg or .png")
    parser.add_argument("--write", type=Path, metavar="FILE", help="write what each clip gave, .json")
    parser.add_argument("--against", type=Path, metavar="FILE", help="print what has changed since that was written")
    parser.add_argument("--list", action="store_true", help="print the names and stop")
    asked = parser.parse_args()
    if asked.list:
        print("\n".join(SCENARIOS))
        return
    names = asked.only.split(",") if asked.only else list(SCENARIOS)
    unknown = [name for name in names if name not in SCENARIOS]
    if unknown:
        parser.error(f"no scenario {', '.join(unknown)}; --list prints the names")
    everything, wrong = table(names, asked.clips, asked.seed, keep=asked.keep)
    if asked.plot is not None:
        draw(everything, asked.plot)
    given = remembered(everything, asked.seed)
    if asked.against is not None:
        changed = list(differences(json.loads(asked.against.read_text(encoding="utf-8")), given))
        print("\n".join(changed or ["every clip is read as before"]))
    if asked.write is not None:
        asked.write.write_text(json.dumps(given, indent=1) + "\n", encoding="utf-8")
    print(f"clips with confident wrong figures: {', '.join(wrong) or 'none'}")
    if wrong:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
