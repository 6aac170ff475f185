"""Running a notebook: settings put in, a Python process of its own, no value in any error."""

from __future__ import annotations

import copy
import os
import pathlib
import signal
import subprocess
import sys
import time
import traceback

import pytest
from nbformat import NotebookNode, v4, validate, write

from audit.errors import UnusableInput
from audit.release import notebook_run
from audit.release.notebook_run import NotebookFailed, execute, read_notebook, with_settings

PLANTED = "Planted-Value-4711"


def _notebook(*cells: str) -> NotebookNode:
    start = [
        v4.new_markdown_cell("# Audit"),
        v4.new_code_cell(
            "source = None\nquarter: str | None = None\ntolerance = 5.0",
            metadata={"tags": ["settings"]},
        ),
    ]
    rest = [
        v4.new_markdown_cell(cell) if cell.startswith("#") else v4.new_code_cell(cell)
        for cell in cells
    ]
    return v4.new_notebook(cells=[*start, *rest])


def _printed(notebook: NotebookNode) -> str:
    return "".join(
        output.text
        for cell in notebook.cells
        for output in cell.get("outputs", [])
        if output.output_type == "stream" and output.name == "stdout"
    )


@pytest.fixture(scope="module")
def run(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[NotebookNode, NotebookNode, list[str]]:
    """A notebook, the same after its run, and what was told meanwhile."""
    notebook = _notebook(
        "## Who is in it\nWords.",
        "print(repr(source), quarter, tolerance)",
        "",
        "### Over time",
        "import os, sys, audit\n"
        "print(sys.executable)\nprint(os.environ['MPLBACKEND'])\nprint(audit.__file__)",
        "print(get_ipython().history_manager.hist_file, get_ipython().ipython_dir)",
        "import ipykernel.kernelapp as k\nprint(k.IPKernelApp.instance().transport)",
    )
    told: list[str] = []
    settings = {"source": 'it\'s "here"\n\\x', "quarter": "2026Q3", "tolerance": 2}
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("MPLBACKEND", "svg")
        patch.delenv("PYTHONPATH", raising=False)
        patch.chdir(tmp_path_factory.mktemp("elsewhere"))
        patch.setenv("IPYTHONDIR", str(pathlib.Path.home() / ".ipython"))
        done = execute(notebook, settings=settings, tell=told.append)
    return notebook, done, told


def test_settings_reach_the_cells_exactly(run: tuple) -> None:
    assert _printed(run[1]).splitlines()[0] == repr('it\'s "here"\n\\x') + " 2026Q3 2"


def test_the_notebook_handed_in_is_left_alone(run: tuple) -> None:
    before, after, _ = run
    assert all(not cell.outputs for cell in before.cells if cell.cell_type == "code")
    assert len(after.cells) == len(before.cells) + 1
    assert after.cells[2].metadata.tags == ["settings-in-use"]
    validate(after)


def test_the_kernel_is_this_python_with_this_audit_and_draws_to_files(run: tuple) -> None:
    import audit

    assert _printed(run[1]).splitlines()[1:4] == [sys.executable, "agg", audit.__file__]


def test_the_kernel_keeps_no_history_and_reads_no_start_up_files(run: tuple) -> None:
    history, profile = _printed(run[1]).splitlines()[4].split()
    assert history == ":memory:"
    assert not profile.startswith(str(pathlib.Path.home() / ".ipython"))


@pytest.mark.skipif(os.name != "posix", reason="local sockets")
def test_the_kernel_is_reached_without_the_network(run: tuple) -> None:
    assert _printed(run[1]).splitlines()[5] == "ipc"


def test_progress_is_told_by_cell_and_heading(run: tuple) -> None:
    assert run[2] == [
        "cell 1 of 6: Audit",
        "cell 2 of 6: Audit",
        "cell 3 of 6: Who is in it",
        "cell 4 of 6: Over time",
        "cell 5 of 6: Over time",
        "cell 6 of 6: Over time",
    ]


def test_without_local_sockets_the_loopback_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notebook_run, "_LONGEST_ADDRESS", 3)
    monkeypatch.setenv("PYTHONWARNINGS", "ignore")
    done = execute(
        _notebook("import ipykernel.kernelapp as k\na = k.IPKernelApp.instance()\nprint(a.ip)"),
        settings={},
    )
    assert _printed(done).strip() == "127.0.0.1"


def test_settings_of_an_earlier_run_are_replaced() -> None:
    once = with_settings(_notebook(), {"quarter": "2026Q2"})
    twice = with_settings(once, {"tolerance": 3.5})
    sources = [cell.source for cell in twice.cells if cell.id == "settings-in-use"]
    assert sources == ["tolerance = 3.5"]
    assert with_settings(_notebook(), {}).cells[2].id == twice.cells[2].id


def test_a_notebook_of_an_older_format_stays_valid() -> None:
    old = _notebook()
    old.nbformat_minor = 4
    for cell in old.cells:
        del cell["id"]
    validate(with_settings(old, {"quarter": "2026Q2"}))


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"quater": "2026Q3"}, r"\['quarter', 'source', 'tolerance'\] as settings, not"),
        ({"tolerance": float("nan")}, "tolerance must be a text, a finite number"),
        ({"tolerance": [1]}, "tolerance must be a text, a finite number"),
    ],
)
def test_settings_that_cannot_be_used_are_refused(settings: dict, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        execute(_notebook(), settings=settings)


def test_a_text_that_writes_itself_as_code_is_refused() -> None:
    class Sly(str):
        def __repr__(self) -> str:
            return "__import__('os')"

    with pytest.raises(ValueError, match="quarter must be a text"):
        with_settings(_notebook(), {"quarter": Sly("x")})


def test_a_notebook_without_settings_is_refused() -> None:
    with pytest.raises(ValueError, match='no cell tagged "settings"'):
        execute(v4.new_notebook(), settings={})


def test_an_error_names_the_cell_and_not_the_value(
    capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    notebook = _notebook("## Healing", f"patient = {PLANTED!r}", "int(patient)", "print('after')")
    told: list[str] = []
    with pytest.raises(NotebookFailed) as caught:
        execute(notebook, settings={}, tell=told.append)
    assert str(caught.value) == "The notebook stopped in cell 3 of 4: Healing: ValueError."
    assert len(told) == 3
    everything = "".join(traceback.format_exception(caught.value, chain=True))
    assert caught.value.__context__ is None
    assert caught.value.__cause__ is None
    assert PLANTED not in everything + caplog.text + "".join(capfd.readouterr())


def test_unusable_input_comes_through_as_its_own_message() -> None:
    cell = (
        f"patient = {PLANTED!r}\nfrom audit.errors import UnusableInput\n"
        "raise UnusableInput('There is no folder of that name.')"
    )
    with pytest.raises(UnusableInput) as caught:
        execute(_notebook(cell), settings={})
    assert str(caught.value) == "There is no folder of that name."
    assert caught.value.__context__ is None


def test_a_cell_that_takes_too_long() -> None:
    with pytest.raises(NotebookFailed, match=r"in cell 2 of 2: Audit: it took over 1 seconds\."):
        execute(_notebook("import time\ntime.sleep(30)"), settings={}, timeout_s=1)


def test_a_process_that_ends() -> None:
    with pytest.raises(NotebookFailed, match=r"in cell 2 of 2: Audit: its Python process ended\."):
        execute(_notebook("import os\nos._exit(3)"), settings={})


def test_an_unknown_kernel() -> None:
    with pytest.raises(UnusableInput, match="no notebook kernel named nowhere"):
        execute(_notebook(), settings={}, kernel="nowhere")


def test_an_error_of_the_caller_s_own_is_not_hidden() -> None:
    def tell(line: str) -> None:
        raise RuntimeError("mine")

    with pytest.raises(RuntimeError, match="mine"):
        execute(_notebook(), settings={}, tell=tell)


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_ctrl_c_kills_the_kernel(tmp_path: pathlib.Path) -> None:
    noted = tmp_path / "pid"
    script = (
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from audit.release.notebook_run import execute, read_notebook\n"
        f"execute(read_notebook({str(tmp_path / 'n.ipynb')!r}), settings={{}})"
    )
    cell = f"import os, time\nopen({str(noted)!r}, 'w').write(str(os.getpid()))\ntime.sleep(120)"
    write(_notebook(cell), tmp_path / "n.ipynb")
    process = subprocess.Popen(
        [sys.executable, "-c", script], stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    _wait(lambda: noted.exists() and noted.read_text() != "", seconds=60)
    kernel = int(noted.read_text())
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30)
    assert process.returncode != 0
    assert errors.rstrip().endswith("KeyboardInterrupt")
    _wait(lambda: not _alive(kernel), seconds=10)


def _wait(condition: object, *, seconds: float) -> None:
    end = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_a_file_that_is_no_notebook(tmp_path: pathlib.Path) -> None:
    (tmp_path / "a.ipynb").write_text(PLANTED)
    for name in ("a.ipynb", "b.ipynb"):
        with pytest.raises(UnusableInput, match=f"{name} is not a notebook") as caught:
            read_notebook(tmp_path / name)
        assert PLANTED not in "".join(traceback.format_exception(caught.value))


def test_a_notebook_is_read_back(tmp_path: pathlib.Path) -> None:
    notebook = _notebook("print(1)")
    write(copy.deepcopy(notebook), tmp_path / "a.ipynb")
    assert [c.source for c in read_notebook(tmp_path / "a.ipynb").cells] == [
        c.source for c in notebook.cells
    ]


def test_reading_does_not_build_the_slow_grammar(tmp_path: pathlib.Path) -> None:
    write(_notebook("print(1)"), tmp_path / "a.ipynb")
    code = (
        "import sys\nfrom audit.release.notebook_run import read_notebook\n"
        f"read_notebook({str(tmp_path / 'a.ipynb')!r})\n"
        "print('nbformat' in sys.modules, 'rfc3987_syntax' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]
