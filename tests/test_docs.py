"""The documents hold: examples run and print what is shown, links lead somewhere, words are spelt, keys are there."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import types
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from contextlib import redirect_stdout
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any, Union, get_args, get_origin, get_type_hints

import pytest
from doc_pages import PAGES, ROOT, Example, argv_of, commands, examples, inline_commands, parse, prints_as_shown
from make_pictures import CLIP, LIVE_S, live_page_of, screen_svg, terminal_svg
from measured_once import measure_once

import strobe
import strobe.measuring
from strobe.bench.limits import Verdict
from strobe.cli import run
from strobe.figures.rings import BARS_USED, NOMINAL_RPM, still_deviation_percent, still_rpm
from strobe.measurement import Measurement, Refusal
from strobe.report.terminal import reading

DOCS = ROOT / "docs"
PICTURES = DOCS / "pictures"
MOST_PICTURES_BYTES = 500_000
RUN = ("sh", "python")
# What prepares an environment; the continuous integration runs it as it stands in README.md.
SET_UP = ("measure-command", "test-command")
UNITS = {
    "percent_per_minute": "%/min",
    "per_minute": "1/min",
    "per_revolution": "1/turn",
    "percent": "%",
    "hz": "Hz",
    "seconds": "s",
    "s": "s",
    "rpm": "rpm",
    "mm": "mm",
    "deg": "°",
    "rad": "rad",
    "rev": "turns",
    "turns": "turns",
    "revolutions": "turns",
    "ppm": "ppm",
    "db": "dB",
}
SVG_TEXT = re.compile(r"(?:href|src)\s*=\s*[\"'](?!#|data:)|@import|<script|url\((?!#)")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder with the sample clips, where the examples run, and settings and log of its own."""
    (tmp_path / "sample_clips").symlink_to(ROOT / "sample_clips", target_is_directory=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("STROBE_LOG", raising=False)
    (tmp_path / "configuration.toml").touch()
    monkeypatch.setenv("STROBE_CONFIG", str(tmp_path / "configuration.toml"))
    monkeypatch.setattr(strobe.measuring, "measure", measure_once)
    return tmp_path


def pages_with(wanted: Callable[[Example], bool]) -> list[Any]:
    return [pytest.param(page, id=page.name) for page in PAGES if any(map(wanted, examples(page)))]


def is_run(example: Example) -> bool:
    return example.language in RUN and example.mark("not run") is None and example.mark("test-command") is None


@pytest.mark.parametrize("page", pages_with(lambda example: is_run(example) and example.mark("slow") is None))
def test_examples_print_what_is_shown(page: Path, bench: Path) -> None:
    run_examples(page, slow=False)


@pytest.mark.slow
@pytest.mark.parametrize("page", pages_with(lambda example: is_run(example) and example.mark("slow") is not None))
def test_costly_examples_print_what_is_shown(page: Path, bench: Path) -> None:
    run_examples(page, slow=True)


def run_examples(page: Path, *, slow: bool) -> None:
    names: dict[str, Any] = {}
    for example in examples(page):
        place = f"{page.name}:{example.line}"
        if (name := example.mark("file")) is not None:
            Path(name).write_text(example.text + "\n", encoding="utf-8")
        if not is_run(example) or (example.mark("slow") is not None and not slow):
            continue
        printed = run_python(example, names) if example.language == "python" else run_shell(example, place)
        if example.printed is not None:
            assert prints_as_shown(example.printed, printed), f"{place} prints:\n{printed}"


def run_python(example: Example, names: dict[str, Any]) -> str:
    out = io.StringIO()
    with redirect_stdout(out):
        exec(compile("\n" * example.line + example.text, str(example.page), "exec"), names)
    return out.getvalue()


def run_shell(example: Example, place: str) -> str:
    """What the commands of this program print, error stream included."""
    out = io.StringIO()
    for words in commands(example):
        argv = argv_of(words)
        if argv is None:
            is_set_up = any(example.mark(mark) is not None for mark in SET_UP)
            is_script = words[0] == "python" and (ROOT / words[1]).is_file()
            assert is_set_up or is_script, f"{place}: no test runs {' '.join(words)!r}; mark it: not run"
            continue
        status = run(argv, out=out, err=out, measure=measure_once)
        assert status == int(example.mark("status") or 0), f"{place} ended with {status}:\n{out.getvalue()}"
    return out.getvalue()


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_command_shown_is_one_that_there_is(page: Path) -> None:
    for example in examples(page):
        if example.language == "sh":
            for words in commands(example):
                if (argv := argv_of(words)) is not None:
                    parse(argv)
    for argv in inline_commands(page):
        assert_named(argv)


def assert_named(argv: list[str]) -> None:
    """The first words name a command."""
    import typer

    from strobe.cli import app

    command: Any = typer.main.get_command(app)
    for word in argv:
        if word.startswith("-") or not hasattr(command, "commands"):
            break
        assert word in command.commands, argv
        command = command.commands[word]


def test_the_readme_names_every_command() -> None:
    import typer

    from strobe.cli import app

    root: Any = typer.main.get_command(app)
    table = [line for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines() if line.startswith("| `")]
    named = {code.split()[0] for line in table for code in re.findall(r"`([^`]+)`", line.split("|")[1])}
    assert named == set(root.commands)


def test_the_comparison_of_output_can_fail() -> None:
    shown = "SPEED  33.53 rpm\n...\nNEXT  Let it ... again."
    assert prints_as_shown(shown, "SPEED   33.54 rpm\nA\nB\nNEXT   Let it run and film again.\n")
    assert not prints_as_shown(shown, "SPEED   33.55 rpm\nNEXT   Let it run and film again.\n")
    assert not prints_as_shown(shown, "SPEED   33.53 rpm\nNEXT   Let it run.\n")
    assert not prints_as_shown(shown, "SPEED   33.53 rpm\nNEXT   Let it run, and again.\nMORE\n")
    assert not prints_as_shown("10 dots", "11 dots")
    row = "  1  " + ":=+*#%@%#*" * 3
    assert prints_as_shown(row, row.replace("@", "%"))
    assert not prints_as_shown(row, row.replace("@", "="))


def links(page: Path) -> Iterator[str]:
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    yield from re.findall(r"\]\(([^)\s]+)\)", text)


def anchors(page: Path) -> set[str]:
    """Of a page's headings, as code hosts make them: small letters, spaces to hyphens, signs left out."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL | re.MULTILINE)
    headings = re.findall(r"^#+ +(.+?) *$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for link in links(page):
        if "://" in link or link.startswith("mailto:"):
            assert re.fullmatch(r"https://[\w.-]+\.\w+(/\S*)?", link), link
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), f"{page.name}: {link}"
        assert target.is_relative_to(ROOT), link
        assert not anchor or anchor in anchors(target), f"{page.name}: {link}"


def test_every_page_stands_in_the_index_and_every_picture_in_a_page() -> None:
    index = {(DOCS / link).resolve() for link in links(DOCS / "README.md")}
    assert {page for page in DOCS.glob("*.md") if page.name != "README.md"} <= index
    shown = {(page.parent / link).resolve() for page in PAGES for link in links(page)}
    pictures = set(PICTURES.iterdir())
    assert pictures <= shown
    assert sum(path.stat().st_size for path in pictures) < MOST_PICTURES_BYTES


@pytest.mark.parametrize("path", sorted(PICTURES.glob("*.svg")), ids=lambda path: path.name)
def test_drawings_have_a_title_and_load_nothing(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    drawing = ElementTree.fromstring(text)
    assert drawing.tag.endswith("svg")
    assert drawing.findtext("{http://www.w3.org/2000/svg}title")
    assert not SVG_TEXT.search(re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL))


def test_the_picture_of_the_reading_is_what_is_printed(bench: Path) -> None:
    drawn = terminal_svg(reading(measure_once(CLIP)))
    kept = (PICTURES / "reading.svg").read_text(encoding="utf-8")
    assert prints_as_shown(kept, drawn), "make it again: python tests/make_pictures.py"


def test_the_picture_of_the_live_screen_is_what_is_shown(bench: Path) -> None:
    drawn = screen_svg(live_page_of(CLIP, LIVE_S))
    kept = (PICTURES / "live.svg").read_text(encoding="utf-8")
    assert prints_as_shown(kept, drawn), "make it again: python tests/make_pictures.py"


def test_words_are_spelt() -> None:
    """Against the usual misspellings that codespell knows; words that only look like one stand in spelling.txt."""
    sources = [*PAGES, *sorted((ROOT / "strobe").rglob("*.py"))]
    words = str(Path(__file__).with_name("spelling.txt"))
    done = subprocess.run(
        [sys.executable, "-m", "codespell_lib", "--ignore-words", words, *map(str, sources)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONIOENCODING": "utf-8"},
    )
    assert (done.stdout, done.returncode) == ("", 0), done.stdout + done.stderr


def keys_of(kind: Any, name: str) -> Iterator[str]:
    """Every key of the JSON form of a dataclass, in full; ``[]`` is a list."""
    if get_origin(kind) in (Union, types.UnionType):
        kinds = [each for each in get_args(kind) if each is not type(None)]
        assert len(kinds) == 1, (name, kind)
        yield from keys_of(kinds[0], name)
    elif get_origin(kind) is tuple:
        yield from keys_of(get_args(kind)[0], f"{name}[]")
    elif is_dataclass(kind):
        hints = get_type_hints(kind)
        for field in fields(kind):
            yield from keys_of(hints[field.name], f"{name}.{field.name}" if name else field.name)
    else:
        yield name


def table_keys(heading: str) -> dict[str, str]:
    """Keys and units of the table under a heading of docs/json.md."""
    text = (DOCS / "json.md").read_text(encoding="utf-8")
    section = re.search(rf"^## {re.escape(heading)}$(.*?)(?=^## |\Z)", text, flags=re.DOTALL | re.MULTILINE)
    assert section is not None
    rows = re.findall(r"^\| `([^`]+)` \|([^|]*)\|", section[1], flags=re.MULTILINE)
    assert len(rows) == len(dict(rows)), "a key stands twice"
    return {key: unit.strip() for key, unit in rows}


def test_the_json_page_has_every_key() -> None:
    wanted = {key for key in keys_of(Measurement, "") if not key.startswith(("series.", "dot_pitch_px", "verdict"))}
    wanted |= {"schema", *keys_of(Verdict, "verdict")}
    assert set(table_keys("strobe.measurement/1")) == wanted


def test_the_json_page_has_the_keys_of_a_real_reading(bench: Path) -> None:
    def walk(value: Any, name: str) -> Iterator[str]:
        if isinstance(value, dict):
            for key, inner in value.items():
                yield from walk(inner, f"{name}.{key}" if name else key)
        elif isinstance(value, list):
            for inner in value:
                yield from walk(inner, f"{name}[]")
        elif value is not None:
            yield name

    told = set(table_keys("strobe.measurement/1"))
    assert set(walk(measure_once("sample_clips/01-as-found-33.mp4").to_dict(), "")) <= told
    refusal = Refusal("a.mp4", "no-contrast", "seen", "advice").to_dict()
    assert set(walk(refusal, "")) == set(table_keys("strobe.refusal/1"))


def test_units_follow_from_the_names_of_the_keys() -> None:
    for key, unit in table_keys("strobe.measurement/1").items():
        name = key.split(".")[-1].replace("[]", "")
        ends = [end for end in UNITS if name == end or name.endswith(f"_{end}")]
        assert unit == (UNITS[max(ends, key=len)] if ends else ""), key


def test_the_table_of_rings_is_the_one_used() -> None:
    rows = {
        f"| {hz} Hz | {rpm:.4f} | {bars} | {still_rpm(2 * hz, bars):.5f} | {beside(hz, bars, rpm)} % |"
        for hz, used in BARS_USED.items()
        for rpm, bars in zip(NOMINAL_RPM, used, strict=True)
    }
    lines = (DOCS / "rings-and-mains.md").read_text(encoding="utf-8").splitlines()
    assert {line for line in lines if re.match(r"\| [56]0 Hz", line)} == rows


def beside(mains_hz: int, bars: int, rpm: float) -> str:
    value = still_deviation_percent(2 * mains_hz, bars, rpm)
    return f"{value:+.4f}" if abs(value) > 1e-9 else "0.0000"


def test_the_limits_page_has_every_preset() -> None:
    from strobe.bench.limits import PRESETS, QUANTITIES

    page = (DOCS / "limits.md").read_text(encoding="utf-8")
    for name, preset in PRESETS.items():
        row = next(line for line in page.splitlines() if line.startswith(f"| `{name}` |"))
        assert ("from memory" in row) == any(limit.from_memory for limit in preset.limits), name
    assert all(f"`{quantity}`" in page for quantity in QUANTITIES)


def test_the_configuration_page_has_every_key() -> None:
    from strobe.configuration.rules import CAMERA_KEYS, KEYS

    page = (DOCS / "configuration.md").read_text(encoding="utf-8")
    named = re.findall(r"^\| `([^`]+)` \|", page, flags=re.MULTILINE)
    assert sorted(named) == sorted([*KEYS, *(f"cameras.NAME.{key}" for key in CAMERA_KEYS)])
