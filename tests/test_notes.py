"""Every code of a note or refusal stands on its page with cause and remedy, and the page names no other."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import strobe

PACKAGE = Path(strobe.__file__).parent
PAGE = PACKAGE.parent / "docs" / "notes.md"
CODE = re.compile(r"[a-z]+(-[a-z]+)*")


def codes_in(source: str, kind: str) -> Iterator[str]:
    """Codes that calls of `kind` are given, as they stand there or, where a variable does, in tuples of that module."""
    tree = ast.parse(source)
    calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call) and getattr(n.func, "id", "") == kind and n.args]
    for call in calls:
        if isinstance(call.args[0], ast.Constant):
            yield str(call.args[0].value)
    if kind == "Note" and any(isinstance(call.args[0], ast.Name) for call in calls):
        for node in ast.walk(tree):
            if isinstance(node, ast.Tuple):
                for code, message in pairwise(node.elts):
                    if isinstance(code, ast.Constant) and CODE.fullmatch(str(code.value)) and is_message(message):
                        yield str(code.value)


def is_message(node: ast.expr) -> bool:
    return isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and " " in str(node.value))


def codes_of(kind: str) -> set[str]:
    return {code for path in PACKAGE.rglob("*.py") for code in codes_in(path.read_text(encoding="utf-8"), kind)}


def page() -> dict[str, dict[str, tuple[str, str]]]:
    """Cause and remedy by code, by the heading of the table."""
    tables: dict[str, dict[str, tuple[str, str]]] = {}
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        if line.startswith("## "):
            rows = tables.setdefault(line[3:], {})
        elif line.startswith("| `"):
            code, cause, remedy = (cell.strip() for cell in line.strip("|").split("|"))
            assert code.strip("`") not in rows, f"{code} stands twice"
            rows[code.strip("`")] = cause, remedy
    return tables


def test_codes_are_found_in_calls_and_in_tuples() -> None:
    source = 'cases = ((x, "first-code", "It is."), (y, "second", f"{y}"))\nNote("third", m)\nNote(code, m)\n("a", "b")'
    assert set(codes_in(source, "Note")) == {"first-code", "second", "third"}
    assert set(codes_in('raise Refused("too-odd", "m", "a")', "Refused")) == {"too-odd"}


def test_the_page_names_the_codes_of_the_notes_and_no_others() -> None:
    assert set(page()["Notes"]) == codes_of("Note")


def test_the_page_names_the_codes_of_the_refusals_and_no_others() -> None:
    assert set(page()["Refusals"]) == codes_of("Refused")


def test_each_code_has_a_cause_and_a_remedy() -> None:
    for table in page().values():
        for code, (cause, remedy) in table.items():
            assert len(cause) > 20, code
            assert cause[-1] + remedy[-1] == "..", code
            assert CODE.fullmatch(code), code
