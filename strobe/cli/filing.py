"""What the commands that measure share around the bench log: options, the questions about conditions, and filing."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from strobe.console import ExitStatus, Surroundings, complain, say, write_line
from strobe.errors import UsageError
from strobe.typed import number

if TYPE_CHECKING:
    from strobe.bench.limits import LimitSet
    from strobe.bench.many import Outcome
    from strobe.bench.records import Conditions
    from strobe.drive.machine import Machine
    from strobe.measurement import Measurement

__all__ = [
    "AfterOption",
    "AgainOption",
    "Filing",
    "JobOption",
    "LightOption",
    "LimitOption",
    "LogOption",
    "PitchOption",
    "PlatterOption",
    "RunningOption",
    "SideOption",
    "StylusOption",
    "conditions_of",
    "described_machine",
    "gravest",
    "load_limits",
    "name_suspects",
    "read_description",
    "show_outcome",
    "status_of",
]

LogOption = Annotated[
    Path | None,
    typer.Option("--log", metavar="FILE", envvar="STROBE_LOG", show_envvar=False, help="The bench log's file."),
]
JobOption = Annotated[str | None, typer.Option("--job", metavar="NAME", help="File the reading in this job.")]
AfterOption = Annotated[
    str | None, typer.Option("--after", metavar="TEXT", help="The repair before it; else the last one noted.")
]
AgainOption = Annotated[
    bool, typer.Option("--again", help="Put the reading in the place of the same clip's earlier one.")
]
RunningOption = Annotated[
    float | None, typer.Option("--running", parser=number, metavar="MIN", help="Minutes that it has run.")
]
PlatterOption = Annotated[str | None, typer.Option("--platter", metavar="bare|mat|record", help="What lies on it.")]
StylusOption = Annotated[str | None, typer.Option("--stylus", metavar="up|down", help="Where the stylus is.")]
PitchOption = Annotated[
    str | None, typer.Option("--pitch", metavar="centre|off-centre|none", help="Where the pitch control stands.")
]
LightOption = Annotated[str | None, typer.Option("--light", metavar="TEXT", help="The lamp in a few words.")]
SideOption = Annotated[
    str | None, typer.Option("--side", metavar="front|left|right|back", help="Side that the camera stands at.")
]
LimitOption = Annotated[
    list[str] | None,
    typer.Option("--limit", metavar="LIMIT", help="Judge by din-45500, usual, speed=0.3, ...; strobe job limits."),
]

QUESTIONS = {
    "running_min": "How many minutes has it run?",
    "platter": "What lies on the platter: bare, mat or record?",
    "stylus": "Is the stylus up or down?",
    "pitch": "Where stands the pitch control: centre, off-centre or none (has none)?",
    "light": "Which lamp lights the dots?",
    "camera_side": "At which side stands the camera: front, left, right or back?",
}
# Rising gravity: a clip outside the limits tells more than one that is too uncertain to say.
GRAVITY = (
    *(ExitStatus.MEASURED, ExitStatus.TOO_UNCERTAIN, ExitStatus.OUTSIDE_LIMITS),
    *(ExitStatus.REFUSED, ExitStatus.UNREADABLE),
)


def conditions_of(
    running: float | None,
    platter: str | None,
    stylus: str | None,
    pitch: str | None,
    light: str | None,
    side: str | None,
) -> Conditions:
    """The conditions as options give them.

    Raises
    ------
    UsageError
        If one of them is none of its choices.
    """
    from strobe.bench.records import Conditions

    return Conditions(running, platter, stylus, pitch, light, side)


def load_limits(words: Sequence[str] | None, config: Path | None) -> LimitSet | None:
    """The limits that options name; ``None`` where none was named.

    Raises
    ------
    UsageError
        If a word is no limit, or the configuration is wrong.
    """
    if not words:
        return None
    from strobe.bench.limits import USUAL, parse_limits

    usual: dict[str, float] = {}
    if USUAL in [word.lower() for word in words]:
        from strobe.configuration import load_configuration

        kept = load_configuration(config)
        if kept.speed_limit_percent is not None:
            usual["speed"] = kept.speed_limit_percent
        if kept.weighted_peak_limit_percent is not None:
            usual["weighted-peak"] = kept.weighted_peak_limit_percent
    return parse_limits(words, usual=usual)


def status_of(outcome: Outcome) -> ExitStatus:
    """The exit status of one clip."""
    if outcome.unreadable is not None:
        return ExitStatus.UNREADABLE
    if outcome.measurement is None:
        return ExitStatus.REFUSED
    verdict = outcome.measurement.verdict
    results = {"fail": ExitStatus.OUTSIDE_LIMITS, "undecided": ExitStatus.TOO_UNCERTAIN}
    return ExitStatus.MEASURED if verdict is None else results.get(verdict["result"], ExitStatus.MEASURED)


def gravest(first: ExitStatus, second: ExitStatus) -> ExitStatus:
    """The one of two exit statuses that counts."""
    return max(first, second, key=GRAVITY.index)


@dataclass(frozen=True)
class Filing:
    """Where readings are filed, and what is said of them; ``job`` is ``None`` where they are not.

    `given` is the text of the machine's description that came with the command, `described` that of the job.
    """

    job: str | None
    after: str | None
    again: bool
    log: Path | None
    conditions: Conditions
    settings: Mapping[str, Any]
    given: str = ""
    described: str = ""

    def checked(self, here: Surroundings) -> Filing:
        """The same with the conditions asked for and the job's machine description, after it was seen that the job can
        take readings.

        Raises
        ------
        UsageError
            If there is no such job, it is closed, it could not keep the description given, or options that need a job
            were given without one.
        """
        if self.job is None:
            given = {"--after": self.after, "--again": self.again or None}
            given |= {"conditions": None if len(self.conditions.missing) == len(fields(self.conditions)) else True}
            for option, value in given.items():
                if value is not None:
                    raise UsageError(f"{option}: say with --job NAME which job it belongs to")
            return self
        from dataclasses import replace

        from strobe.bench import open_log

        with open_log(self.log, must_exist=True) as log:
            log.check_open(self.job, machine=self.given)
            job = log.job(self.job)
        asked = self.conditions if job.readings or not _at_a_terminal(here) else _ask(self.conditions, here)
        return replace(self, conditions=asked, described=job.machine)

    def machine(self) -> Machine | None:
        """The machine as the command describes it, or else the job; ``None`` where neither does.

        Raises
        ------
        UsageError
            If the description is none that the drive layer knows.
        """
        return described_machine(self.given or self.described)

    def file(self, clip: str, measurement: Measurement, here: Surroundings, *, aside: bool) -> bool:
        """File one reading and say so, on standard error where standard output is for other programs.

        Returns
        -------
        bool
            Whether it was filed; not so where the log could not take it, or holds the same clip in this job.
        """
        if self.job is None:
            return True
        from strobe.bench import clip_digest, open_log
        from strobe.report.jobs import filed_text

        out = here.err if aside else here.out
        try:
            with open_log(self.log, must_exist=True) as log:
                filed = log.file_reading(
                    self.job,
                    measurement,
                    clip_sha256=clip_digest(clip),
                    after=self.after,
                    conditions=self.conditions,
                    settings=self.settings,
                    machine=self.given,
                    again=self.again,
                )
                kept = log.job(self.job)
        except OSError as error:
            complain(here.err, f"NOT FILED: {error}")
            return False
        say(out, filed_text(filed, kept, measurement))
        return not filed.already


def read_description(file: Path | None) -> str:
    """The text of a machine file, after it was seen that it is one; empty where none is named.

    Raises
    ------
    UsageError
        If it cannot be read, or is none.
    """
    if file is None:
        return ""
    from strobe.drive.machine import read_machine
    from strobe.files import read_text

    read_machine(file)
    return read_text(file)


def described_machine(text: str) -> Machine | None:
    """The machine of a job's description; ``None`` where there is none.

    Raises
    ------
    UsageError
        If the description is none that the drive layer knows.
    """
    if not text:
        return None
    from strobe.drive.machine import parse_machine
    from strobe.files import toml_table

    try:
        return parse_machine(toml_table(text))
    except ValueError as error:
        raise UsageError(f"{error}. Correct the job's description: strobe job describe NAME --machine FILE") from error


def name_suspects(measurement: Measurement, machine: Machine | None) -> Measurement:
    """The measurement with the parts of the drive named that make its components; as it is without a machine."""
    if machine is None:
        return measurement
    from strobe.drive.diagnosis import diagnose
    from strobe.drive.naming import reading_of, with_suspects

    return with_suspects(measurement, diagnose(reading_of(measurement), machine))


def show_outcome(
    outcome: Outcome,
    here: Surroundings,
    *,
    as_json: bool,
    gap: bool,
    sources: Mapping[str, str] | None = None,
    filed: bool = False,
) -> None:
    """Print one outcome, which a job takes where it is `filed`: a reading or refusal, as text or as one JSON line."""
    from strobe.report import tables, terminal

    if outcome.unreadable is not None:
        say(here.err, terminal.unreadable_text(outcome.clip, outcome.unreadable), gap=gap)
    elif outcome.refusal is not None:
        if as_json:
            write_line(here.out, tables.json_line(outcome.refusal))
        else:
            say(here.err, terminal.refusal_text(outcome.refusal), gap=gap)
    elif outcome.measurement is not None:
        if as_json:
            write_line(here.out, tables.json_line(outcome.measurement))
        else:
            say(here.out, terminal.reading(outcome.measurement, sources=sources, filed=filed), gap=gap)


def _at_a_terminal(here: Surroundings) -> bool:
    return here.err.isatty() and sys.stdin is not None and sys.stdin.isatty()


def _ask(conditions: Conditions, here: Surroundings) -> Conditions:
    """Ask for what was not said; an empty answer leaves it so."""
    from dataclasses import replace

    here.err.write("Conditions of this job, asked once and kept; Enter leaves one unsaid.\n")
    here.err.write("The minutes hold for this reading alone; say later ones with --running.\n")
    here.err.write("Where a later reading differs, say so: --platter, --light ...\n")
    for name in conditions.missing:
        while True:
            here.err.write(f"  {QUESTIONS[name]} ")
            here.err.flush()
            answer = sys.stdin.readline()
            if not answer.strip():
                break
            try:
                value: Any = _answered(name, answer.strip())
                conditions = replace(conditions, **{name: value})
                break
            except UsageError as error:
                complain(here.err, str(error), head="  ")
    return conditions


def _answered(name: str, answer: str) -> str | float:
    """An answer as `Conditions` takes it: a number, one of its choices, or the lamp in the person's own words."""
    if name == "running_min":
        try:
            return number(answer)
        except UsageError as error:
            raise UsageError(f"{error}; write a number of minutes, such as 5") from None
    return answer if name == "light" else answer.lower()
