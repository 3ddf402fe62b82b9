"""The hand-over sheet: what it says, that hostile text stays text, the page in a browser, and the PDF."""

from __future__ import annotations

import dataclasses
import html.parser
import os
import re
import shutil
import zlib
from collections import Counter
from collections.abc import Iterator
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_bench_cli import Bench, measure_by_name
from test_bench_comparison import REPEATS, job_of, with_figures
from test_bench_store import HOSTILE
from test_report import component, measurement

from strobe.bench import Conditions, Entry, Job
from strobe.bench.limits import parse_limits
from strobe.bench.story import STORY_CLIPS, replay_story
from strobe.drive.diagnosis import diagnose
from strobe.drive.naming import reading_of
from strobe.errors import UsageError
from strobe.measurement import Measurement, Note
from strobe.report.handover import NOT_A_CERTIFICATE, Handover, Section, Table, handover_of, handover_of_clip
from strobe.report.handover_files import check_sheet_target, held, sheet_html, sheet_pdf, write_sheet
from strobe.report.handover_pictures import Picture, turns_picture
from strobe.report.plot import write_plot

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
HEADINGS = [
    *("Machine", "Verdict", "As found and as left", "Pictures", "What was done", "Conditions", "How it was measured"),
    "Cautions",
]
NO_ELEMENT_TO_CLOSE = {"meta", "path", "use", "rect", "link", "br", "img", "circle", "line", "stop"}


LINES_OF_DATES = """[...document.querySelectorAll("td[data-head=date]")].map(cell => {
    const range = document.createRange();
    range.selectNodeContents(cell);
    return range.getClientRects().length;
})"""


def a_job() -> Job:
    """As found three times at 33 1/3, then oiled three times, and once at 45; everything said."""
    fast = measurement(setup={"nominal_rpm": 45.0, "dots": 133}, speed={"deviation_percent": 0.01})
    states = [
        [with_figures(0.6 + d, 0.3 + d) for d in REPEATS],
        [*(with_figures(0.02 + d, 0.05 + d, 0.05 + d) for d in REPEATS), fast],
    ]
    job = job_of(states, [Conditions(10.0, "bare", "up", "centre", "its own lamp", "front")] * 2)
    more = (
        Entry(90, "2026-01-01T00:00:00+00:00", "machine", 'name = "invented"\n[motor]\npoles = [4, 16]\n'),
        Entry(91, "2026-01-01T00:00:00+00:00", "reported", "it wobbles"),
        Entry(92, "2026-01-02T00:00:00+00:00", "remark", "smells of oil"),
    )
    return dataclasses.replace(job, entries=(*more, *job.entries))


def a_sheet() -> Handover:
    return handover_of(a_job(), limits=parse_limits(["din-45500"]))


def hostile_sheet() -> Handover:
    hostile = HOSTILE.replace("\x00", "\x01")
    suspicious = component(3.9, 0.4, suspect=f"$x$ {hostile}")
    whole = dataclasses.replace(
        with_figures(),
        components=(suspicious,),
        clip=dataclasses.replace(measurement().clip, path=hostile),
        setup=dataclasses.replace(measurement().setup, lamp=hostile),
        notes=(Note("n", hostile),),
    )
    job = job_of([[whole], [whole]], [Conditions(light=hostile)] * 2)
    entries = (
        Entry(90, hostile, "machine", f'"{"k" * 300}" = "<b>{"v" * 9000}</b>"\n"<i>" = "</table>"'),
        Entry(91, hostile, "reported", hostile),
        Entry(92, hostile, "remark", hostile),
        *(dataclasses.replace(entry, text=hostile, made_at=hostile) for entry in job.entries),
    )
    readings = tuple(dataclasses.replace(reading, program_version=hostile) for reading in job.readings)
    return handover_of(Job(hostile, hostile, entries, readings), limits=parse_limits(["din-45500"]))


@pytest.mark.parametrize(
    ("views", "words"),
    [
        (["rim"], "A camera filmed the row of strobe dots on the platter's rim; the"),
        (["disc"], "A camera filmed the rings of dots of a printed disc that lay on the platter; the"),
        (
            ["disc", "rim"],
            "dots on the platter's rim and the rings of dots of a printed disc that lay on the platter; the",
        ),
    ],
)
def test_the_sheet_says_what_was_filmed(views: list[str], words: str) -> None:
    states = [[measurement(setup={"view": view})] for view in views]
    (how,) = (section for section in handover_of(job_of(states)).sections if section.title == "How it was measured")
    assert words in how.paragraphs[0]


class Page(html.parser.HTMLParser):
    """A page taken apart: its elements, whether they are closed in order, its text outside of style and script."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in NO_ELEMENT_TO_CLOSE:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag not in NO_ELEMENT_TO_CLOSE:
            assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def test_two_sentences_for_a_buyer() -> None:
    first, second = a_sheet().sentences
    assert first == (
        "At 33 1/3 rpm it turns 0.02 % fast and wavers by ±0.05 % weighted; at 45 rpm it turns right to within 0.03 % "
        "and wavers by ±0.30 % weighted (a semitone is 6 %)."
    )
    assert (
        second
        == "As it came it turned 0.60 % fast and wavered by ±0.30 % weighted at 33 1/3 rpm; since then: repair 1."
    )


@pytest.mark.parametrize(
    ("speed", "peak", "words"),
    [
        ((0.05, 0.06), (0.3, 0.01), "right to within 0.11 % and wavers by ±0.30 % weighted"),
        ((-0.05, 0.06), (0.3, 0.01), "right to within 0.11 % and wavers by ±0.30 % weighted"),
        ((0.052, 0.06), (0.3, 0.01), "right to within 0.12 % and wavers by ±0.30 % weighted"),
        ((0.0, 0.002), (0.3, 0.01), "right to within 0.002 % and wavers by ±0.30 % weighted"),
        ((0.0045, 0.003), (0.004, 0.001), "0.004 % fast and wavers by ±0.004 % weighted"),
        ((-0.65, 0.003), (0.001, 0.003), "0.65 % slow and wavers by less than ±0.004 % weighted"),
        ((1.3, 0.2), (0.011, 0.02), "1.30 % fast and wavers by less than ±0.031 % weighted"),
        ((1.3, 0.4), (0.3, 0.2), "1.3 % fast and wavers by ±0.30 % weighted"),
    ],
)
def test_what_a_buyer_reads_holds_the_whole_interval(
    speed: tuple[float, float], peak: tuple[float, float], words: str
) -> None:
    """Closed form: |value| + half-width, rounded up; and no figure above nothing reads as nothing."""
    read = measurement(
        speed=dict(zip(("deviation_percent", "uncertainty_percent"), speed, strict=True)),
        fluctuation=dict(
            zip(("weighted_peak_percent", "weighted_peak_uncertainty_percent"), peak, strict=True),
        ),
    )
    first, _ = handover_of_clip(read).sentences
    assert first == f"At 33 1/3 rpm it turns {words} (a semitone is 6 %)."


AT_45: dict[str, Any] = {"setup": {"nominal_rpm": 45.0, "dots": 133}}
FOUND = [with_figures(0.6 + d, 0.3 + d) for d in REPEATS]
LAST_FOUND = "At 33 1/3 rpm, last read as found, it turned 0.60 % fast and wavered by ±0.30 % weighted"


@pytest.mark.parametrize(
    ("states", "first", "second"),
    [
        ([FOUND, []], LAST_FOUND, "Read as found; since then: repair 1; nothing was read after that."),
        ([FOUND, [measurement(**AT_45)]], LAST_FOUND, "Read as found; since then: repair 1."),
        (
            [FOUND, FOUND, []],
            "At 33 1/3 rpm, last read after repair 1, it turned 0.60 % fast and wavered by ±0.30 % weighted",
            "As it came it turned 0.60 % fast and wavered by ±0.30 % weighted; since then: repair 1, repair 2; nothing "
            "was read after the last of these.",
        ),
        (
            [[], FOUND],
            "At 33 1/3 rpm it turns 0.60 % fast and wavers by ±0.30 % weighted",
            "Not read as found; since then: repair 1.",
        ),
        (
            [[measurement(**AT_45)], [*FOUND, measurement(**AT_45)]],
            "At 33 1/3 rpm it turns 0.60 % fast and wavers by ±0.30 % weighted",
            "As it came it turned 0.05 % fast and wavered by ±0.30 % weighted at 45 rpm; since then: repair 1.",
        ),
    ],
    ids=["not-after-the-repair", "only-another-speed-after", "not-after-the-second", "not-as-found", "45-as-found"],
)
def test_what_was_read_when(states: list[list[Measurement]], first: str, second: str) -> None:
    sheet = handover_of(job_of(states))
    assert sheet.sentences[0].split(";")[0].removesuffix(" (a semitone is 6 %).") == first
    assert sheet.sentences[1] == second


def test_what_was_read_before_the_last_repair_is_not_as_left() -> None:
    for states, names in (([FOUND, []], ("as found",)), ([FOUND, FOUND, []], ("as found", "after repair 1"))):
        sheet = handover_of(job_of(states), limits=parse_limits(["speed=0.3"]))
        assert "as left" not in Page(sheet_html(sheet)).text
        tables = {table.caption: table.head for section in sheet.sections for table in section.tables}
        assert tables["Figures at 33 1/3 rpm"] == ("figure", *names)
        assert tables["Conditions at 33 1/3 rpm"] == ("condition", *names)
        assert tables["Verdict at 33 1/3 rpm"][1] == names[-1]
        verdict = sheet.sections[1].paragraphs[0]
        assert verdict.startswith(f"At 33 1/3 rpm, last read {names[-1]}: outside the limits")


def test_what_stands_on_the_sheet() -> None:
    page = Page(sheet_html(a_sheet()))
    assert [tag for tag, _ in page.elements].count("h1") == 1
    text = page.text
    for heading in HEADINGS:
        assert f" {heading} " in text
    for words in (
        *("name invented", "motor.poles 4, 16", "it wobbles", "smells of oil", "its own lamp", NOT_A_CERTIFICATE),
        *("Yes. Speed: better by 0.580 ±", "weighted 2-sigma peak", "DIN 45500", "outside", "as left"),
        *("No test record was played", "Unplug the machine", "Made by strobe", "0.2 to 15 Hz"),
    ):
        assert words in text, words
    assert text.count(NOT_A_CERTIFICATE) == 1


def test_without_limits_there_is_no_verdict() -> None:
    assert [section.title for section in handover_of(a_job()).sections] == [
        name for name in HEADINGS if name != "Verdict"
    ]


def test_the_page_can_be_read_without_seeing_it() -> None:
    page = Page(sheet_html(a_sheet()))
    elements = page.elements
    by_tag = {tag: [attrs for name, attrs in elements if name == tag] for tag, _ in elements}
    assert by_tag["html"][0]["lang"] == "en"
    assert len(by_tag["main"]) == len(by_tag["header"]) == len(by_tag["footer"]) == 1
    ids = {attrs["id"] for _, attrs in elements if "id" in attrs}
    for svg in by_tag["svg"]:
        assert svg["role"] == "img"
        assert svg["aria-labelledby"] in ids
    assert len(by_tag["svg"]) == len(by_tag["figcaption"]) == 6
    assert "Turn map, the deviation by turn and platter angle, at 45 rpm: as left, " in page.text
    assert "Curve of the speed deviation over time at 33 1/3 rpm: as found, mostly between" in page.text
    assert len(by_tag["caption"]) == len(by_tag["table"])
    assert all(attrs["scope"] in ("col", "row") for attrs in by_tag["th"])
    for section in by_tag["section"]:
        assert section["aria-labelledby"] in ids
    levels = [int(tag[1]) for tag, _ in elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels == [1] + [2] * len(HEADINGS)


def test_the_sheet_and_the_screen_tell_one_share_of_what_is_tied_to_the_platter() -> None:
    """Noise as strong as half of the swing is none of the platter's, there or here."""
    rng = np.random.default_rng(4)
    plain = measurement(fluctuation={"unweighted_floor_percent": 0.3})
    restless = plain.series.deviation_percent + 0.3 * rng.standard_normal(plain.series.time_s.size)
    read = dataclasses.replace(plain, series=dataclasses.replace(plain.series, deviation_percent=restless))
    picture, locked = turns_picture([("as read", read)]), diagnose(reading_of(read)).locked
    assert picture is not None
    assert locked is not None
    assert f"as read, {100 * locked.share:.0f} percent of it tied to the platter." in picture.alt


def test_no_id_stands_twice_and_every_reference_has_its_place() -> None:
    content = sheet_html(a_sheet())
    elements = Page(content).elements
    ids = Counter(attrs["id"] for _, attrs in elements if attrs.get("id"))
    assert max(ids.values()) == 1
    pointed = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', content))
    assert pointed
    assert pointed <= set(ids)


def test_nothing_is_loaded_from_elsewhere() -> None:
    content = sheet_html(a_sheet())
    elements = Page(content).elements
    assert not {"script", "link", "img", "iframe", "object", "embed", "base", "form"} & {tag for tag, _ in elements}
    for tag, attrs in elements:
        for name, value in attrs.items():
            assert not name.startswith("on")
            if name in ("href", "xlink:href", "src"):
                assert value is not None
                assert value.startswith("data:image/png;base64," if tag == "image" else "#"), tag
    assert "default-src 'none'" in content
    assert "@import" not in content
    without_names = re.sub(r'xmlns(:\w+)?="[^"]*"', "", content)
    assert "://" not in without_names


def test_hostile_text_stays_text_on_the_page() -> None:
    sheet = hostile_sheet()
    content = sheet_html(sheet)
    elements = [tag for tag, _ in Page(content).elements]
    assert "script" not in elements
    assert elements.count("i") == elements.count("b") == 0
    assert "&lt;script&gt;" in content
    assert "{{7*7}}" in content, "the template does not look into what people wrote"
    assert "49" not in Page(content).text.split("evil")[1][:20]
    assert all(char.isprintable() or char in "\n\u00a0" for char in content)
    assert "\u202e" not in content
    assert len(content) < 600_000


def test_hostile_text_stays_text_in_the_pdf() -> None:
    text = pdf_text(sheet_pdf(hostile_sheet()))
    assert "<script>alert(1)</script>" in text
    assert "\u202e" not in text
    assert "\x1b" not in text


def pdf_pages(content: bytes) -> list[str]:
    """The text of each page, without the number that stands below it."""
    import pypdfium2

    with pypdfium2.PdfDocument(content) as document:
        pages = []
        for number, page in enumerate(document, 1):
            width, height = page.get_size()
            # A4 in points, to the hundredth of an inch.
            assert (round(width), round(height)) == (595, 842)
            text, numbered, rest = page.get_textpage().get_text_range().partition(f"page {number} of {len(document)}")
            assert numbered
            assert not rest.strip()
            pages.append(text)
    return pages


def pdf_text(content: bytes) -> str:
    return re.sub(r"\s+", " ", " ".join(pdf_pages(content)))


def test_settings_of_the_readers_own_do_not_touch_the_pictures(tmp_path: Path) -> None:
    """A matplotlibrc may cut a picture to what is on it, draw by hand, leave the white out, or write large."""
    import matplotlib

    def written() -> list[bytes]:
        sheet = a_sheet()
        write_plot(measurement(), tmp_path / "plot.png")
        pdf = re.sub(rb"/CreationDate \([^)]*\)|/ID \[[^]]*\]", b"", sheet_pdf(sheet))
        return [sheet_html(sheet).encode(), pdf, (tmp_path / "plot.png").read_bytes()]

    own: Any = {"savefig.bbox": "tight", "path.sketch": (1.0, 100.0, 2.0), "savefig.transparent": True, "font.size": 20}
    with matplotlib.rc_context(own):
        changed = written()
        assert matplotlib.rcParams["font.size"] == 20
    for plain, other in zip(written(), changed, strict=True):
        assert plain == other


def small_picture() -> Picture:
    from matplotlib.figure import Figure

    return Picture("under the picture", "a picture", lambda: Figure(figsize=(4.0, 2.5)))


def test_a_heading_of_the_pdf_is_on_the_page_of_what_follows() -> None:
    """Whatever follows, and however far down the page it comes: 40 sections, each some lines further down."""
    table = Table("caption", ("a", "b"), tuple((f"row {row}", "value") for row in range(8)))
    kinds: list[dict[str, Any]] = [
        {"pictures": (small_picture(),)},
        {"tables": (table,)},
        {"items": ("words " * 150,)},
        {"paragraphs": ("words " * 150,)},
        {"paragraphs": ("of the table",), "tables": (table,)},
    ]
    sections = []
    for place in range(40):
        sections.append(Section("heading", **kinds[place % len(kinds)]))
        sections.append(Section("filler", ("line",) * (1 + place * 7 % 11)))
    pages = pdf_pages(sheet_pdf(dataclasses.replace(a_sheet(), sections=tuple(sections))))
    assert len(pages) > 8
    for page in pages:
        assert page.split()[-1] not in ("heading", "caption")
        assert not " ".join(page.split()).endswith("of the table")
        if " ".join(page.split()).endswith("value"):
            assert page.rstrip().splitlines()[-1].startswith("row 7"), "the table is not torn"


def test_who_made_it_does_not_stand_on_a_page_alone() -> None:
    page_counts, whole = set(), a_sheet()
    for lines, more in product(range(30, 39), (0, 2)):
        sections = (Section("heading", paragraphs=("paragraph",) * more, items=("line",) * (lines - more)),)
        pages = pdf_pages(sheet_pdf(dataclasses.replace(whole, sections=sections)))
        page_counts.add(len(pages))
        assert "line" in pages[-1]
    assert page_counts == {1, 2}


def test_a_table_higher_than_a_page_is_begun_where_it_stands() -> None:
    """Held together it would be put off to a page that it does not fit either, and leave one empty."""
    rows = tuple((f"row {row}", *(["word " * 40] * 7)) for row in range(8))
    table = Table("caption", tuple("abcdefgh"), rows)
    pages = pdf_pages(sheet_pdf(dataclasses.replace(a_sheet(), sections=(Section("heading", tables=(table,)),))))
    assert all(f"row {row}" in " ".join(pages) for row in range(8))
    assert "row 0" in pages[0]


def test_the_pdf_of_a_single_clip_is_two_pages() -> None:
    assert len(pdf_pages(sheet_pdf(handover_of_clip(measurement(), limits=parse_limits(["din-45500"]))))) == 2


def test_the_pdf_says_the_same() -> None:
    sheet = a_sheet()
    content = sheet_pdf(sheet)
    assert content.startswith(b"%PDF-")
    text = pdf_text(content)
    for heading in HEADINGS:
        assert heading in text
    for sentence in (*sheet.sentences, NOT_A_CERTIFICATE, sheet.made):
        assert sentence in text
    assert "weighted 2-sigma peak" in text
    assert b"/Lang (en)" in content
    assert b"/DisplayDocTitle true" in content
    assert content.count(b"/Alt ") == 6
    assert b"/URI" not in content
    assert b"/JavaScript" not in content


def test_a_reader_that_goes_by_the_structure_of_the_pdf_finds_all_text() -> None:
    """No text is set outside of marked content, which a reader of tagged documents passes over (ISO 32000-1, 14.8)."""
    for sheet in (a_sheet(), hostile_sheet()):
        content = sheet_pdf(sheet)
        assert content.count(b"/S /H1\n") == 1
        assert content.count(b"/S /H2\n") == len(sheet.sections)
        assert content.count(b"/S /H3\n") == sum(len(section.tables) for section in sheet.sections)
        pages = 0
        for stream in re.findall(rb"stream\n(.*?)\nendstream", content, flags=re.DOTALL):
            try:
                drawn = zlib.decompress(stream)
            except zlib.error:
                continue
            if b" Tf " not in drawn:
                continue
            pages += 1
            drawn, numbers = re.subn(rb"/Artifact BMC.*?EMC", b"", drawn, flags=re.DOTALL)
            assert numbers == 1, "the page's number, which is no part of the text"
            assert drawn.count(b" BDC") == drawn.count(b"EMC") > 0
            loose = re.sub(rb"/\w+ <</MCID \d+>> BDC.*?EMC", b"", drawn, flags=re.DOTALL)
            assert not re.search(rb"\bT[jJ]\b", loose)
        assert pages > 2


def test_a_number_keeps_its_unit() -> None:
    assert held("at 33 1/3 rpm by 0.560 ± 0.021 percentage points, at most 0.2 %") == (
        "at 33\u00a01/3\u00a0rpm by 0.560\u00a0±\u00a00.021 percentage points, at most 0.2\u00a0%"
    )
    assert "0.2\u00a0%" in sheet_html(a_sheet())


def test_a_repair_with_dollars_is_drawn_as_it_is() -> None:
    job = job_of([[], [measurement()], [measurement()]])
    label = "paid $_$ and $x^2$"
    paid = dataclasses.replace(job, entries=tuple(dataclasses.replace(each, text=label) for each in job.entries))
    content = sheet_html(handover_of(paid))
    assert content.count(f"<!-- after {label} -->") == 3, "in the legends of trace and spectrum, over the turn map"


def test_characters_that_the_font_lacks_show_as_boxes() -> None:
    sheet = dataclasses.replace(a_sheet(), title="deck \U0001f9ff \u6c34")
    assert "deck \u25a1 \u25a1" in pdf_text(sheet_pdf(sheet))


def test_a_sheet_of_a_single_clip(tmp_path: Path) -> None:
    sheet = handover_of_clip(measurement(), limits=parse_limits(["speed=0.3"]))
    assert sheet.title == "Speed read from as found.mp4"
    assert sheet.sentences[1] == (
        "Read from one clip of 20 s; a single reading does not tell how well the machine repeats itself."
    )
    assert [section.title for section in sheet.sections] == [
        *("Verdict", "Figures", "Pictures", "How it was measured", "Cautions")
    ]
    said = handover_of_clip(measurement(), conditions=Conditions(platter="mat"))
    (conditions,) = [section for section in said.sections if section.title == "Conditions"]
    assert ("on the platter", "mat") in conditions.tables[0].rows
    write_sheet(sheet, tmp_path / "page.html")
    write_sheet(sheet, tmp_path / "page.PDF")
    assert (tmp_path / "page.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "page.PDF").read_bytes().startswith(b"%PDF")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["page.PDF", "page.html"]


def test_what_cannot_be_a_sheet(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"end it in \.html or \.pdf"):
        check_sheet_target(tmp_path / "page.doc", option="--to")
    with pytest.raises(UsageError, match="does not exist"):
        check_sheet_target(tmp_path / "none" / "page.pdf", option="--to")
    with pytest.raises(UsageError, match="no reading yet"):
        handover_of(job_of([[]]))


def test_from_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STROBE_LOG", str(tmp_path / "log.sqlite3"))
    bench = Bench(tmp_path)
    bench("job", "open", "deck")
    bench("measure", bench.clip("found"), "--job", "deck", "--sheet", str(tmp_path / "one.html"))
    bench("measure", bench.clip("good"), "--job", "deck", "--after", "oiled")
    for name in ("all.html", "all.pdf"):
        assert (
            f"wrote {tmp_path / name}"
            in bench("job", "sheet", "deck", "--to", str(tmp_path / name), "--limit", "speed=1")[0]
        )
    assert "found.mp4" in (tmp_path / "one.html").read_text(encoding="utf-8")
    assert "oiled" in (tmp_path / "all.html").read_text(encoding="utf-8")
    assert "end it in .html or .pdf" in bench("job", "sheet", "deck", "--to", str(tmp_path / "all.txt"))[1]


def test_the_demo_job_gives_a_full_sheet(tmp_path: Path) -> None:
    from strobe.bench import open_log

    for name in STORY_CLIPS:
        (tmp_path / name).write_text(name)
    with open_log(tmp_path / "log.sqlite3") as log:
        replay_story(log, tmp_path, name="demo", measure=measure_by_name)
        sheet = handover_of(log.job("demo"), limits=parse_limits(["din-45500"]))
    assert [section.title for section in sheet.sections] == HEADINGS
    assert "(invented)" in Page(sheet_html(sheet)).text


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        pytest.skip("no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    root = hasattr(os, "geteuid") and os.geteuid() == 0
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"] if root else [])
        yield opened
        opened.close()


@pytest.mark.parametrize("hostile", [False, True], ids=["usual", "hostile"])
@pytest.mark.parametrize("width", [1280, 360])
def test_the_page_in_a_browser(browser: Any, tmp_path: Path, hostile: bool, width: int) -> None:
    path = tmp_path / "sheet.html"
    path.write_text(sheet_html(hostile_sheet() if hostile else a_sheet()), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 800})
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("dialog", lambda dialog: said.append(dialog.message))
    page.on("request", lambda request: asked.append(request.url))
    page.goto(path.as_uri())
    assert said == []
    assert asked == [path.as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(
        "[...document.querySelectorAll('figure svg')].every(e => e.getBoundingClientRect().height > 100)"
    )
    if not hostile:
        assert page.evaluate(LINES_OF_DATES) == [1, 1]
    for paper in ("A4", "Letter"):
        printed = page.pdf(format=paper)
        assert printed.startswith(b"%PDF-")
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) < 30
    page.close()
