"""Running a notebook with the settings of one run, in a Python process of its own."""

from __future__ import annotations

import ast
import contextlib
import copy
import dataclasses
import keyword
import math
import os
import pathlib
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from audit.errors import UnusableInput

#: the cell that holds the defaults, and the cell put after it that holds those of this run
SETTINGS, SETTINGS_IN_USE = "settings", "settings-in-use"
#: the kernel that is not looked up: the Python that runs this
THIS_PYTHON = "python3"
#: the longest address of a local socket, less what is added to it for each channel
_LONGEST_ADDRESS = 95
_STARTUP_SECONDS = 60


@dataclasses.dataclass(frozen=True)
class Hidden:
    """A setting that no cell may hold, such as a database URL with a password: the kernel finds
    its text in an environment variable, and the cell says `env:` and the name of that."""

    text: str = dataclasses.field(repr=False)


Setting = str | int | float | bool | Hidden | None


class NotebookFailed(RuntimeError):
    """A notebook stopped. The message names the cell and the kind of error and holds no value:
    error texts of libraries can quote a patient's."""


def read_notebook(path: str | pathlib.Path) -> Any:
    """The notebook of a file, as nbformat version 4. Raises UnusableInput when it is none."""
    path = pathlib.Path(path)
    with _without_slow_grammar():
        import nbformat
    try:
        return nbformat.read(path, as_version=4)
    except (OSError, ValueError, nbformat.ValidationError):
        pass
    raise UnusableInput(f"{path.name} is not a notebook that can be read.")


def execute(
    notebook: Any,
    *,
    settings: Mapping[str, Setting],
    kernel: str = THIS_PYTHON,
    tell: Callable[[str], object] | None = None,
    timeout_s: int = 900,
) -> Any:
    """A copy of the notebook, run from top to bottom in a fresh kernel with these settings.

    settings: values for names that the cell tagged "settings" sets; they go into a cell tagged
        "settings-in-use" right after it.
    kernel: "python3" is the Python that runs this, whatever kernels are installed; any other
        name is looked up among those.
    tell: called before each cell with a line such as "cell 3 of 20: Healing".
    timeout_s: the longest that one cell may take, in seconds.

    Raises UnusableInput with the message of a cell that raised it; NotebookFailed for any other
    end; ValueError for settings that the notebook does not have or that are not plain values.
    """
    ready = with_settings(notebook, settings)
    for cell in ready.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    with tempfile.TemporaryDirectory(prefix="nb-") as private:
        environment = {**_environment(private), **_hidden(settings)}
        failure = _run(ready, _manager(kernel, private), tell, timeout_s, environment)
    # raised out here, so that the kernel's own error, with its traceback, does not hang on to it
    if failure is not None:
        raise failure
    return ready


def with_settings(notebook: Any, settings: Mapping[str, Setting]) -> Any:
    """A copy of the notebook with the settings in a cell after the one tagged "settings".

    An earlier cell tagged "settings-in-use" is replaced. The notebook passed in stays as it is.
    """
    changed = copy.deepcopy(notebook)
    cells = [cell for cell in changed.cells if SETTINGS_IN_USE not in _tags(cell)]
    place = next((i for i, cell in enumerate(cells) if SETTINGS in _tags(cell)), None)
    if place is None:
        raise ValueError(f'the notebook has no cell tagged "{SETTINGS}"')
    known = _names_set(cells[place].source)
    unknown = sorted(set(settings) - known)
    if unknown:
        raise ValueError(f"the notebook has {sorted(known)} as settings, not {unknown}")
    source = "\n".join(f"{name} = {_literal(name, value)}" for name, value in settings.items())
    cells.insert(place + 1, _code_cell(changed, source))
    changed.cells = cells
    return changed


def _code_cell(notebook: Any, source: str) -> Any:
    with _without_slow_grammar():
        from nbformat import v4
    cell = v4.new_code_cell(source, metadata={"tags": [SETTINGS_IN_USE]})
    # a drawn id would make every run a different file; before 4.5 there are none
    cell.id = SETTINGS_IN_USE
    if (notebook.nbformat, notebook.nbformat_minor) < (4, 5):
        del cell["id"]
    return cell


def _literal(name: str, value: Setting) -> str:
    if not name.isidentifier() or keyword.iskeyword(name):
        raise ValueError(f"{name!r} cannot be the name of a setting")
    if isinstance(value, Hidden):
        return repr(f"env:{_variable(name)}")
    # by exact type: a subclass may write itself as something that is no literal
    plain = value is None or type(value) in (str, int, float, bool)
    if not plain or (isinstance(value, float) and not math.isfinite(value)):
        raise ValueError(f"the setting {name} must be a text, a finite number, yes/no or None")
    return repr(value)


def _hidden(settings: Mapping[str, Setting]) -> dict[str, str]:
    return {
        _variable(name): value.text for name, value in settings.items() if isinstance(value, Hidden)
    }


def _variable(name: str) -> str:
    return f"LENGTHENING_AUDIT_{name.upper()}"


def _names_set(source: str) -> set[str]:
    names: set[str] = set()
    for statement in ast.parse(source).body:
        targets = statement.targets if isinstance(statement, ast.Assign) else []
        if isinstance(statement, ast.AnnAssign):
            targets = [statement.target]
        names.update(target.id for target in targets if isinstance(target, ast.Name))
    return names


def _run(
    notebook: Any,
    manager: Any,
    tell: Callable[[str], object] | None,
    timeout_s: int,
    environment: dict[str, str],
) -> Exception | None:
    """Run the cells in place; what stopped them, or None. Ctrl-C kills the kernel."""
    with _without_slow_grammar():
        from jupyter_client.kernelspec import NoSuchKernel
        from nbclient.exceptions import CellControlSignal, DeadKernelError
    client = _client(notebook, manager, timeout_s)
    where = ""
    try:
        with client.setup_kernel(cleanup_kc=True, env=environment):
            for index, where in _steps(notebook):
                if tell is not None:
                    tell(where)
                client.execute_cell(
                    notebook.cells[index], index, execution_count=client.code_cells_executed + 1
                )
    except CellControlSignal as error:
        return _cell_failure(error, where=where, timeout_s=timeout_s)
    except NoSuchKernel:
        return UnusableInput(f"There is no notebook kernel named {manager.kernel_name}.")
    except RuntimeError as error:
        if where and not isinstance(error, DeadKernelError):
            raise
        how = f"stopped in {where}: its Python process ended" if where else "could not be started"
        return NotebookFailed(f"The notebook {how}.")
    return None


def _client(notebook: Any, manager: Any, timeout_s: int) -> Any:
    with _without_slow_grammar():
        from nbclient import NotebookClient
    client = NotebookClient(
        notebook,
        km=manager,
        timeout=timeout_s,
        startup_timeout=_STARTUP_SECONDS,
        shutdown_kernel="immediate",
        record_timing=False,
        # how printed text arrives in pieces depends on the clock
        coalesce_streams=True,
    )
    client.reset_execution_trackers()
    return client


def _cell_failure(error: Any, *, where: str, timeout_s: int) -> Exception:
    """What to raise for a cell that ended in an error or took too long."""
    if isinstance(error, TimeoutError):
        return NotebookFailed(f"The notebook stopped in {where}: it took over {timeout_s} seconds.")
    if error.ename in _unusable_names():
        return UnusableInput(error.evalue)
    return NotebookFailed(f"The notebook stopped in {where}: {error.ename}.")


def _steps(notebook: Any) -> Iterator[tuple[int, str]]:
    """Place and line to tell of each code cell: its number and the heading above it."""
    wanted = [
        index
        for index, cell in enumerate(notebook.cells)
        if cell.cell_type == "code" and cell.source.strip()
    ]
    heading, number = "", 0
    for index, cell in enumerate(notebook.cells):
        if cell.cell_type == "markdown":
            lines = [line for line in cell.source.splitlines() if line.startswith("#")]
            heading = lines[-1].strip("# ") if lines else heading
        elif index in wanted:
            number += 1
            line = f"cell {number} of {len(wanted)}"
            yield index, f"{line}: {heading}" if heading else line


def _manager(kernel: str, private: str) -> Any:
    """A kernel manager on local sockets of its own, or on the loopback where there are none."""
    with _without_slow_grammar():
        from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
        from jupyter_client.manager import AsyncKernelManager

    class ThisPython(KernelSpecManager):
        """Knows one kernel: the Python that runs this."""

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
            return KernelSpec(argv=argv, display_name=kernel_name, language="python")

    options: dict[str, Any] = {"connection_file": str(pathlib.Path(private, "kernel.json"))}
    address = str(pathlib.Path(private, "k"))
    if os.name == "posix" and len(os.fsencode(address)) <= _LONGEST_ADDRESS:
        # without an address of its own, two kernels started at once would share their sockets
        options |= {"transport": "ipc", "ip": address}
    if kernel == THIS_PYTHON:
        options["kernel_spec_manager"] = ThisPython()
    return AsyncKernelManager(kernel_name=kernel, **options)


def _environment(private: str) -> dict[str, str]:
    """The kernel's environment: this one's, without the user's start-up files, drawing to files,
    and with this very `audit` to be imported."""
    home = str(pathlib.Path(__file__).resolve().parents[2])
    paths = [path for path in os.environ.get("PYTHONPATH", "").split(os.pathsep) if path]
    if pathlib.Path(home).name not in ("site-packages", "dist-packages") and home not in paths:
        paths.insert(0, home)
    return {
        **os.environ,
        "MPLBACKEND": "agg",
        "IPYTHONDIR": str(pathlib.Path(private, "ipython")),
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
        **({"PYTHONPATH": os.pathsep.join(paths)} if paths else {}),
    }


def _unusable_names() -> set[str]:
    from audit import errors

    return {
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, UnusableInput)
    }


def _tags(cell: Any) -> list[str]:
    return list(cell.metadata.get("tags", []))


@contextlib.contextmanager
def _without_slow_grammar() -> Iterator[None]:
    """Hide a module that a dependency loads only to judge one text format that notebooks do not
    have, and that builds a grammar for most of a second when it loads."""
    name = "rfc3987_syntax"
    hide = name not in sys.modules
    if hide:
        sys.modules[name] = None  # type: ignore[assignment]
    try:
        yield
    finally:
        if hide:
            del sys.modules[name]
