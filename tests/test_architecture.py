"""The layers: who may import whom, read from the source of every module; and what the package offers."""

from __future__ import annotations

import ast
import importlib
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import strobe

PACKAGE = Path(strobe.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))

# Each layer and the parts of the package that it may import, besides itself.
MAY_IMPORT = {
    "errors": set(),
    "files": {"errors"},
    "typed": {"errors"},
    "looks": set(),
    "configuration": {"errors", "files", "typed"},
    "capture": {"errors", "files"},
    "pattern": {"errors", "capture"},
    "phase": {"errors", "pattern"},
    "figures": {"errors", "typed"},
    "measurement": {"errors", "figures"},
    "measuring": {"errors", "measurement", "figures", "phase", "pattern", "capture"},
    "looking": {"errors", "measurement", "measuring", "figures", "phase", "pattern", "capture"},
    "live": {"errors", "measurement", "measuring", "figures", "phase", "pattern", "capture"},
    "drive": {"errors", "figures", "files", "measurement"},
    "bench": {"errors", "files", "measurement", "measuring", "figures", "typed"},
    "render": {"errors", "files", "figures"},
    "report": {
        *("bench", "configuration", "drive", "errors", "figures", "files", "live", "looking", "looks", "measurement"),
    },
    "console": {"errors", "measurement", "report"},
    "practice": {"errors", "render", "figures", "typed"},
    "printing": {"errors", "figures", "files", "looks", "typed"},
    "cli": {
        "bench",
        "drive",
        "errors",
        "configuration",
        "console",
        "figures",
        "files",
        "live",
        "looking",
        "measurement",
        "measuring",
        "report",
        "practice",
        "printing",
        "render",
        "capture",
        "typed",
    },
    "__init__": {"errors", "looking", "measurement", "measuring"},
    "__main__": {"cli"},
}
# Where a layer may see only some modules of another.
ONLY_MODULES = {
    ("measurement", "figures"): {"strobe.figures.results"},
    ("report", "figures"): {"strobe.figures.results"},
    ("report", "looking"): {"strobe.looking.results"},
    ("report", "live"): {"strobe.live.records"},
    ("render", "figures"): {"strobe.figures.weighting", "strobe.figures.rings"},
    ("practice", "figures"): {"strobe.figures.rings"},
    ("printing", "figures"): {"strobe.figures.rings"},
    ("drive", "figures"): {"strobe.figures.results", "strobe.figures.rings", "strobe.figures.weighting"},
    ("cli", "capture"): {"strobe.capture.versions"},
    ("cli", "figures"): {"strobe.figures.rings"},
}
FOREIGN = {
    "sqlite3": {"bench"},
    "jinja2": {"report"},
    "fpdf": {"report"},
    "av": {"capture", "render"},
    "typer": {"cli"},
    "rich": {"console", "report"},
    "matplotlib": {"looks", "printing", "report"},
}
HEAVY_ONLY_INSIDE_FUNCTIONS = {"cv2", "matplotlib"}


def layer_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def module_name(path: Path) -> str:
    parts = ("strobe", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> Iterator[tuple[str, bool]]:
    """Absolute names that a module imports, and whether at its top: not in a function, not for types only."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    package = module_name(path).split(".")
    if path.stem != "__init__":
        package = package[:-1]

    def walk(node: ast.AST, top: bool) -> Iterator[tuple[str, bool]]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.Import):
                yield from ((alias.name, top) for alias in child.names)
            elif isinstance(child, ast.ImportFrom):
                base = child.module or ""
                if child.level:
                    base = ".".join([*package[: len(package) - child.level + 1], *filter(None, [base])])
                if base == "strobe":
                    yield from ((f"strobe.{alias.name}", top) for alias in child.names)
                else:
                    yield base, top
            elif isinstance(child, ast.Call) and getattr(child.func, "id", "") == "import_module":
                if isinstance(child.args[0], ast.Constant):
                    yield str(child.args[0].value), top
                yield from walk(child, top)
            elif isinstance(child, ast.If) and getattr(child.test, "id", "") == "TYPE_CHECKING":
                yield from walk(child, False)
            else:
                inner = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
                yield from walk(child, top and not inner)

    yield from walk(tree, True)


def test_the_reader_of_imports_sees_every_form(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys.modules[__name__], "PACKAGE", tmp_path)
    path = tmp_path / "phase" / "lines.py"
    path.parent.mkdir()
    path.write_text(
        "import numpy as np\n"
        "from strobe.figures import results\n"
        "from strobe import cli\n"
        "from .lamp import flash\n"
        "from ..report import terminal\n"
        "if TYPE_CHECKING:\n    import av\n"
        "def late():\n    import cv2\n    import_module('strobe.live')\n"
    )
    assert layer_of(path) == "phase"
    assert list(imports(path)) == [
        ("numpy", True),
        ("strobe.figures", True),
        ("strobe.cli", True),
        ("strobe.phase.lamp", True),
        ("strobe.report", True),
        ("av", False),
        ("cv2", False),
        ("strobe.live", False),
    ]


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_point_one_way(path: Path) -> None:
    layer = layer_of(path)
    assert layer in MAY_IMPORT, f"{layer} is a new layer: give it its place in MAY_IMPORT"
    for name, _ in imports(path):
        if not name.startswith("strobe."):
            continue
        other = name.split(".")[1]
        if other == layer:
            continue
        assert other in MAY_IMPORT[layer], f"{layer} must not import {name}"
        allowed = ONLY_MODULES.get((layer, other))
        assert allowed is None or name in allowed, f"{layer} may use only {allowed} of {other}, not {name}"


def test_the_order_of_layers_has_no_ring() -> None:
    settled: set[str] = set()
    while len(settled) < len(MAY_IMPORT):
        free = {layer for layer, below in MAY_IMPORT.items() if layer not in settled and below <= settled}
        assert free, f"these import each other in a ring: {set(MAY_IMPORT) - settled}"
        settled |= free


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_foreign_libraries_stay_in_their_layer(path: Path) -> None:
    for name, top in imports(path):
        library = name.split(".")[0]
        assert layer_of(path) in FOREIGN.get(library, {layer_of(path)}), f"{name} in {path.name}"
        assert not (top and library in HEAVY_ONLY_INSIDE_FUNCTIONS), f"{name} at the top of {path.name}"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_every_module_says_what_it_is_and_what_it_offers(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert ast.get_docstring(tree), f"{path.name} has no docstring"
    defines = any(isinstance(node, ast.FunctionDef | ast.ClassDef) for node in tree.body)
    listed = any(isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__" for node in tree.body)
    assert listed or not defines, f"{path.name} defines names but has no __all__"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_names_are_taken_from_where_they_are_offered(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("strobe."):
            continue
        offered = getattr(importlib.import_module(str(node.module)), "__all__", ())
        for name in (alias.name for alias in node.names):
            is_module = f"{node.module}.{name}" in map(module_name, MODULES)
            assert name in offered or is_module, f"{node.module} does not offer {name}, which {path.name} takes from it"


def test_the_public_names() -> None:
    assert strobe.__all__ == ["Look", "Measurement", "Refused", "__version__", "look", "measure"]
    assert set(strobe.__all__) <= set(dir(strobe))
    assert strobe.Refused.__module__ == "strobe.errors"
    assert strobe.Measurement.__module__ == "strobe.measurement"
    assert strobe.__version__.count(".") == 2
    with pytest.raises(AttributeError, match="no attribute 'weigh'"):
        strobe.weigh  # noqa: B018  # raises


def test_measure_is_found_from_the_package() -> None:
    assert strobe.measure is importlib.import_module("strobe.measuring").measure
