"""Shared fixtures: the demo cohort once a session, and small cohorts written as text tables."""

from __future__ import annotations

import io
import os
import pathlib

import pandas as pd
import pytest

os.environ.setdefault("MPLBACKEND", "agg")

ROOT = pathlib.Path(__file__).resolve().parents[1]
DEMO = ROOT / "demo_data" / "tables"


#: files whose tests take long and share nothing, so that they can be spread over the workers
SPREAD = ("test_notebooks.py", "test_invariants.py")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Tests of one file stay on one worker: what a file sets up once is not set up again elsewhere."""
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::", 1)[0]
            return nodeid if file.endswith(SPREAD) else file

    return ByFile(config, log)


@pytest.fixture(scope="session")
def demo_tables():
    import audit

    return audit.read_source(DEMO)


@pytest.fixture(scope="session")
def demo_run():
    from audit.run import run_audit

    return run_audit(DEMO, quarter="2026Q3")


@pytest.fixture(scope="session")
def demo_series(demo_run):
    """The demo run as the demo's plan selects it."""
    from audit.intake.series_plan import read_series_plan
    from audit.series.selection import case_series

    return case_series(demo_run, read_series_plan(ROOT / "demo_data" / "series_plan.toml"))


def text_table(text: str) -> pd.DataFrame:
    """A table written with spaces between columns; `-` is an empty cell."""
    frame = pd.read_csv(io.StringIO(text.strip()), sep=r"\s+", dtype=str, na_values="-")
    return frame


@pytest.fixture
def write_source(tmp_path):
    """Write text tables as a folder of CSV files; returns the folder."""

    def write(**tables: str | pd.DataFrame) -> pathlib.Path:
        folder = tmp_path / "source"
        folder.mkdir(exist_ok=True)
        for name, content in tables.items():
            frame = content if isinstance(content, pd.DataFrame) else text_table(content)
            frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
        return folder

    return write


PATIENTS = """
patient_id  sex     aetiology
P1          female  congenital
P2          male    post_traumatic
P3          female  short_stature
"""


@pytest.fixture
def cohort_of(write_source):
    """A cohort from text tables (patients P1 to P3 unless given)."""
    import audit

    def build(cutoff: str | None = None, **tables: str):
        folder = write_source(**{"patients": PATIENTS, **tables})
        return audit.build_cohort(audit.read_source(folder), cutoff)

    return build
