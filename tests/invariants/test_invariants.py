"""What must hold whatever the data: order, units, waiting cases, truncation at a day."""

from __future__ import annotations

import pathlib

import numpy as np
import pandas as pd
import pytest

import audit
from audit.estimates.survival import survival_curve
from audit.results import result_table
from audit.settings import Settings
from tests.conftest import DEMO

QUICK = Settings(resamples=200)
CUTOFF = "2024-06-30"


def frames_of(folder: pathlib.Path) -> dict[str, pd.DataFrame]:
    return {
        path.stem: pd.read_csv(path, dtype=str, keep_default_na=False)
        for path in sorted(folder.glob("*.csv"))
    }


def results_of(frames: dict[str, pd.DataFrame], cutoff: str | None = CUTOFF) -> pd.DataFrame:
    cohort = audit.build_cohort(audit.tables_from_frames(frames), cutoff, settings=QUICK)
    return result_table(cohort, audit.measure_cases(cohort))


def assert_same(one: pd.DataFrame, two: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(one, two, check_exact=False, rtol=1e-9, atol=1e-12)


@pytest.fixture(scope="module")
def demo() -> dict[str, pd.DataFrame]:
    return frames_of(DEMO)


@pytest.fixture(scope="module")
def plain(demo) -> pd.DataFrame:
    return results_of(demo)


def test_order_of_rows_and_columns_does_not_matter(demo, plain):
    shuffled = {
        name: frame.sample(frac=1, random_state=3).iloc[:, ::-1].reset_index(drop=True)
        for name, frame in demo.items()
    }
    pd.testing.assert_frame_equal(results_of(shuffled), plain, check_exact=True)


def truncated(frames: dict[str, pd.DataFrame], day: str) -> dict[str, pd.DataFrame]:
    """The files as they would have stood at the end of `day`, cut without the kit's own code."""
    dated = {
        "radiographs": "taken_on",
        "joint_motion": "examined_on",
        "weight_bearing": "assessed_on",
        "complications": "occurred_on",
        "distraction_sessions": "started_at",
        "actions": "raised_on",
        "service_events": "happened_on",
    }
    cases = frames["cases"].copy()
    cases = cases[(cases["surgery_date"] <= day) & (cases["arrival_date"] <= day)]
    films = frames["radiographs"].groupby("case_id")["taken_on"].max()
    last_film = cases["case_id"].map(films).fillna(cases["last_follow_up_date"])
    cases.loc[cases["distraction_end_date"] > day, "achieved_gain_mm"] = ""
    cases.loc[last_film > day, "final_gain_mm"] = ""
    outcome = cases["outcome_date"].where(cases["outcome_date"] != "", cases["last_follow_up_date"])
    cases.loc[outcome > day, "outcome_status"] = "in_treatment"
    for name in [column for column in cases if column.endswith("_date")]:
        cases.loc[cases[name] > day, name] = ""
    out = {"patients": frames["patients"], "cases": cases}
    for name, column in dated.items():
        frame = frames[name]
        keep = frame[column].str[:10] <= day
        if "case_id" in frame:
            keep &= frame["case_id"].isin(cases["case_id"])
        out[name] = frame[keep].copy()
    late = out["complications"]["resolved_on"] > day
    out["complications"].loc[late, ["resolved_on", "permanent"]] = ""
    return {name: frame.reset_index(drop=True) for name, frame in out.items()}


@pytest.mark.parametrize("day", ["2023-02-14", "2024-06-30", "2026-03-31"])
def test_truncating_the_files_equals_running_with_that_cut_off(demo, day):
    assert_same(results_of(truncated(demo, day), day), results_of(demo, day))


def test_same_cut_off_gives_the_same_results_twice(demo, plain):
    pd.testing.assert_frame_equal(results_of(demo), plain, check_exact=True)


def test_unit_conversions_agree(plain):
    def value(measure: str) -> float:
        rows = plain.loc[(plain["measure"] == measure) & (plain["statistic"] == "mean")]
        return rows.loc[rows["group_by"] == "all", "value"].iloc[0]

    months, days = value("healing_index_months_per_cm"), value("healing_index_days_per_cm")
    assert months * 30.4375 == pytest.approx(days)
    # a mean of ratios in days/cm is at least ten over the mean of mm/day (Jensen's inequality)
    assert value("distraction_index_mm_per_day") > 0


def test_millimetres_scale_lengths_and_not_shares(demo, plain):
    """Stretching every length (and the tolerance) by 1.1 leaves shares and percentages alone and
    divides every per-centimetre index by 1.1."""
    stretched = {name: frame.copy() for name, frame in demo.items()}
    for column in ("planned_gain_mm", "achieved_gain_mm", "final_gain_mm"):
        numbers = pd.to_numeric(stretched["cases"][column])
        stretched["cases"][column] = (numbers * 1.1).map(repr).replace("nan", "")
    tables = audit.tables_from_frames(stretched)
    cohort = audit.build_cohort(tables, CUTOFF, settings=Settings(resamples=200, tolerance_mm=5.5))
    before = audit.measure_cases(audit.build_cohort(audit.tables_from_frames(demo), CUTOFF))
    after = audit.measure_cases(cohort)
    both = before["achieved_gain_mm"] >= 10
    np.testing.assert_allclose(
        after.loc[both, "healing_index_days_per_cm"] * 1.1,
        before.loc[both, "healing_index_days_per_cm"],
    )
    np.testing.assert_allclose(after["gain_attainment_pct"], before["gain_attainment_pct"])
    assert (
        after["gain_within_tolerance"].dropna() == before["gain_within_tolerance"].dropna()
    ).all()


@pytest.mark.parametrize("seed", range(20))
def test_one_more_waiting_case_never_lowers_the_median_time(seed):
    draw = np.random.default_rng(seed)
    n = int(draw.integers(3, 40))
    days, seen = draw.integers(1, 300, n).astype(float), draw.random(n) < 0.7
    before = survival_curve(days, seen).median().value
    for waited in (0.0, 50.0, 400.0):
        after = survival_curve(np.append(days, waited), np.append(seen, False)).median().value
        if before is None:
            assert after is None
        elif after is not None:
            assert after >= before


def test_every_estimate_lies_within_its_interval(plain):
    known = plain.dropna(subset=["value"])
    assert not (known["value"] < known["low"] - 1e-9).any()
    assert not (known["value"] > known["high"] + 1e-9).any()


def test_what_is_not_estimable_says_why(plain):
    assert (plain.loc[plain["value"].isna(), "note"].str.len() > 0).all()
    assert plain["method"].str.len().gt(0).all()


def test_n_and_missing_make_up_the_group(plain):
    """Cases to which a measure does not apply (no fixator, bone nobody walks on) are in neither."""
    means = plain.loc[(plain["group_by"] == "all") & (plain["statistic"] == "mean")]
    totals = means.set_index("measure")[["n", "missing"]].sum(axis=1)
    for measure in ("latency_days", "healing_index_days_per_cm", "knee_flexion_retention_pct"):
        assert totals[measure] == totals["gain_error_mm"] > 0
