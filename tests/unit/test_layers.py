"""The shape of the kit: imports run one way, only figures draw, only intake and release touch disk."""

from __future__ import annotations

import ast
import pathlib
import subprocess
import sys

import pytest

ROOT = pathlib.Path(__file__).resolve().parents[2]
#: stages from left to right; a stage imports only itself and what stands before it
ORDER = [
    "errors",
    "settings",
    "periods",
    "criteria",
    "plan",
    "disclosure_rules",
    "intake",
    "wind_back",
    "cohort",
    "measures",
    "estimates",
    "results",
    "quality",
    "standards",
    "monitoring",
    "run",
    "series",
    "published",
    "manuscript",
    "summaries",
    "disclosure",
    "pooling",
    "reaudit",
    "discussion",
    "checking",
    "wording",
    "tables",
    "document",
    "prose",
    "figures",
    "notebook_display",
    "release",
    "report",
    "pages",
    "commands",
]
PLOTTING = {"matplotlib", "seaborn"}
DISK_CALLS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "to_csv", "mkdir",
              "unlink", "rmtree", "iterdir", "read_csv", "glob"}  # fmt: skip
MAY_TOUCH_DISK = {"intake", "release"}


def modules() -> list[pathlib.Path]:
    return sorted((ROOT / "audit").rglob("*.py"))


def stage_of(path: pathlib.Path) -> str:
    return path.relative_to(ROOT / "audit").parts[0].removesuffix(".py")


def imports_of(path: pathlib.Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_a_stage_imports_only_what_stands_to_its_left(path):
    stage = stage_of(path)
    if stage in {"__init__", "__main__"}:
        return
    assert stage in ORDER, f"{stage} has no place in ORDER"
    reachable = set(ORDER[: ORDER.index(stage) + 1])
    for name in imports_of(path):
        parts = name.split(".")
        if parts[0] == "audit" and len(parts) > 1 and parts[1] in ORDER:
            assert parts[1] in reachable, f"{stage} imports {parts[1]}"
        if parts[0] in {"demo_data", "notebooks", "tests"}:
            raise AssertionError(f"{stage} imports {parts[0]}")


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_only_figures_import_a_plotting_library(path):
    if stage_of(path) == "figures":
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(child)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
        for child in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        assert not {name.split(".")[0] for name in names} & PLOTTING


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_only_intake_and_release_touch_the_disk(path):
    if stage_of(path) in MAY_TOUCH_DISK:
        return
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            assert name not in DISK_CALLS, f"line {node.lineno}: {name}"


def test_schemas_import_nothing_of_the_kit():
    for path in (ROOT / "schemas").rglob("*.py"):
        assert not [name for name in imports_of(path) if name.split(".")[0] == "audit"], path


@pytest.mark.parametrize(
    ("statement", "heavy"),
    [
        ("import audit", {"pandas", "scipy", "matplotlib", "seaborn", "lifelines", "pandera"}),
        ("import audit.commands", {"pandas", "scipy", "matplotlib", "seaborn", "lifelines"}),
        ("import audit.checking", {"scipy", "matplotlib", "seaborn", "lifelines"}),
    ],
)
def test_a_start_pays_only_for_what_it_needs(statement, heavy):
    code = f"{statement}\nimport sys\nprint(*sorted(set(sys.modules) & {heavy!r}))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.split() == []


def test_notebooks_call_the_kit_only_and_hold_no_logic():
    import nbformat

    for path in (ROOT / "notebooks").glob("*.ipynb"):
        notebook = nbformat.read(path, as_version=4)
        for cell in notebook.cells:
            if cell.cell_type != "code":
                continue
            assert len(cell.source.splitlines()) <= 10
            tree = ast.parse(cell.source)
            kinds = (ast.FunctionDef, ast.ClassDef, ast.For, ast.While, ast.If, ast.Lambda)
            assert not [node for node in ast.walk(tree) if isinstance(node, kinds)]
            names = [node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)] + [
                a.name
                for node in ast.walk(tree)
                if isinstance(node, ast.Import)
                for a in node.names
            ]
            assert all(name.split(".")[0] == "audit" for name in names)


def test_modules_and_functions_stay_short():
    for path in [*modules(), *(ROOT / "schemas").rglob("*.py")]:
        text = path.read_text(encoding="utf-8")
        assert text.count("\n") <= 400, path
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                assert node.end_lineno - node.lineno <= 60, f"{path}: {node.name}"
