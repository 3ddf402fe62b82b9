"""Kills a process that writes to the log, again and again at random instants, and looks whether anything is missing.

Each writer is left alone until a random number of its writes had returned, and is killed at a random instant within
about one write more, however fast the disk is.

Run by test_bench_store.py in a process of its own: ``python killed_writer.py FOLDER ROUNDS SEED``. Prints one JSON
object: rounds, confirmed (how many writes had returned), lost (confirmed but not found), damage (what the database's
own check found), cut (rounds in which the writer died between two of its confirmations).
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from pathlib import Path

from test_report import measurement

from strobe.bench import open_log

ROUNDS_A_FILE = 20
MOST_WRITES = 8
WITHIN_WRITES = 1.5


def write_without_end(log_path: Path, tell: int, place: int) -> None:
    """The child: opens jobs, notes and files, and says each time that it is done."""
    reading = measurement()

    def done(*what: str) -> None:
        os.write(tell, (json.dumps(what) + "\n").encode())

    done("started")
    with open_log(log_path) as log:
        name = f"machine {place}"
        log.open_job(name, reported="wobbles")
        done("job", name)
        for count in range(10**6):
            text = f"note {place}.{count}"
            log.note(name, text, repair=count % 3 == 0)
            done("entry", text)
            sha256 = f"{place:032x}{count:032x}"
            log.file_reading(name, reading, clip_sha256=sha256)
            done("reading", sha256)
            if count % 4 == 3:
                log.close_job(name)
                log.reopen_job(name)
                log.backup(log_path.with_name("copy.sqlite3"))


def one_round(log_path: Path, place: int, chance: random.Random) -> list[list[str]]:
    """What a writer had confirmed before it was killed."""
    ear, tell = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(ear)
        write_without_end(log_path, tell, place)
        os._exit(1)
    os.close(tell)
    with os.fdopen(ear, "rb") as heard:
        lines = heard.readline()
        heard_at, write_s = time.monotonic(), 0.01
        for _ in range(chance.randint(0, MOST_WRITES)):
            lines += heard.readline()
            write_s, heard_at = time.monotonic() - heard_at, time.monotonic()
        time.sleep(chance.uniform(0, WITHIN_WRITES * write_s))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        lines += heard.read()
    return [json.loads(line) for line in lines.splitlines(keepends=True) if line.endswith(b"\n")]


def missing(log_path: Path, confirmed: list[list[str]]) -> tuple[int, list[str]]:
    """How many of the confirmed writes cannot be found, and what the database says of itself."""
    with open_log(log_path) as log:
        jobs = [log.job(each.name) for each in log.jobs()]
        found = {("job", job.name) for job in jobs}
        found |= {("entry", entry.text) for job in jobs for entry in job.entries}
        found |= {("reading", reading.clip_sha256) for job in jobs for reading in job.readings}
        return sum(tuple(what) not in found for what in confirmed if what[0] != "started"), list(log.check())


def main(folder: Path, rounds: int, seed: int) -> None:
    chance = random.Random(seed)
    confirmed_in_all, lost, cut = 0, 0, 0
    damage: list[str] = []
    confirmed: list[list[str]] = []
    for place in range(rounds):
        log_path = folder / f"log {place // ROUNDS_A_FILE}.sqlite3"
        new = one_round(log_path, place, chance)
        confirmed += new
        confirmed_in_all += sum(what[0] != "started" for what in new)
        cut += len(new) > 1
        # Nothing is ever deleted, so that what is missing after one round is so after the last as well.
        if place % ROUNDS_A_FILE == ROUNDS_A_FILE - 1 or place == rounds - 1:
            lost_now, damage_now = missing(log_path, confirmed)
            lost += lost_now
            damage += damage_now
            confirmed = []
    print(json.dumps({"rounds": rounds, "confirmed": confirmed_in_all, "lost": lost, "damage": damage, "cut": cut}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
