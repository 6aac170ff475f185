"""The committed notebooks run, and their stored outputs are what they give today (nbval).

nbval compares texts and tables, never pictures; a notebook without stored outputs would compare
nothing, so that is refused here first.
"""

from __future__ import annotations

import pathlib
import subprocess
import sys

import nbformat
import pytest

from tests.conftest import ROOT

NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_has_stored_outputs_and_ends_with_a_check(path: pathlib.Path):
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert sum(bool(cell.outputs) for cell in code) >= len(code) // 2
    assert any("assert " in cell.source for cell in code)
    errors = [o for cell in code for o in cell.outputs if o.output_type in {"error", "stream"}]
    assert not errors
    assert notebook.metadata.kernelspec.name == "python3"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_gives_its_stored_outputs(path: pathlib.Path):
    arguments = ["--nbval", "--nbval-current-env", "--nbval-cell-timeout=600"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *arguments,
         "-o", "filterwarnings=default", str(path)],
        capture_output=True, text=True, cwd=ROOT, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:]
