"""The demonstration tables: same bytes every time, true parameters recovered, nothing impossible.

Outside values: published means beside each parameter in `demo_data.generator.parameters`; trade
facts are marked "common practice, no published source". Exact Poisson limits: Garwood F.
Biometrika 1936;28:437-442; exact binomial limits: Clopper CJ, Pearson ES. Biometrika
1934;26:404-413 (both through scipy).
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

import demo_data
from demo_data.generator import TRUE, build_tables, write
from demo_data.generator.__main__ import main
from demo_data.generator.course import build_episode
from demo_data.generator.parameters import EVENT_RATES, HEALING
from demo_data.generator.people import Patient, Plan
from demo_data.generator.treatment import draw_milestones, expected_milestones, rate_of
from schemas import vocabulary

FOLDER = Path(demo_data.__file__).parent / "tables"
#: cases operated before this day have been followed long enough to count everything
MATURE = pd.Timestamp("2025-10-01")


def read(name: str) -> pd.DataFrame:
    """One committed table; empty is missing, and the word "none" is a code."""
    table = pd.read_csv(FOLDER / f"{name}.csv", keep_default_na=False, na_values=[""])
    for column in table.columns:
        if column.endswith(("_date", "_on")) or column == "started_at":
            table[column] = pd.to_datetime(table[column])
    return table


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    return {name: read(name) for name in write.COLUMNS}


@pytest.fixture(scope="module")
def cases(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Cases with the measures of the contract that the tests need."""
    found = tables["cases"].set_index("case_id", drop=False)
    events = tables["complications"].groupby("case_id").size()
    found["events"] = events.reindex(found.index, fill_value=0)
    found["healing_index"] = days(found, "union_date", "surgery_date") / (
        found["achieved_gain_mm"] / 10
    )
    found["distraction_days"] = days(found, "distraction_end_date", "distraction_start_date")
    return found


def days(table: pd.DataFrame, later: str, earlier: str) -> pd.Series:
    return (table[later] - table[earlier]).dt.days


def poisson_interval(count: int, level: float = 0.95) -> tuple[float, float]:
    tail = (1 - level) / 2
    low = stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0
    return low, stats.chi2.ppf(1 - tail, 2 * count + 2) / 2


def standard_plan() -> Plan:
    """A healthy adult, one femur, antegrade nail, an inch and a half planned."""
    patient = Patient(
        number=1, sex="male", aetiology="developmental", pattern="single", age=28.0,
        centre="north", surgeon="S1", side="left", first_surgery=738_000,
    )  # fmt: skip
    return Plan(
        patient=patient, segment="femur", side="left", device="lengthening_nail",
        approach="antegrade", age=28.0, physes_open=False, surgery=738_000, planned=38.0,
        stroke=50.0, length=450.0, discrepancy=40.0, slow=False,
    )  # fmt: skip


# --- the same bytes -----------------------------------------------------------------------------


def test_two_runs_and_the_committed_files_are_the_same_bytes(tmp_path: Path) -> None:
    assert main([str(tmp_path / "one")]) == 0
    assert main([str(tmp_path / "two")]) == 0
    for name in write.COLUMNS:
        first = (tmp_path / "one" / f"{name}.csv").read_bytes()
        assert first == (tmp_path / "two" / f"{name}.csv").read_bytes(), name
        assert first == (FOLDER / f"{name}.csv").read_bytes(), name
        assert b"\r" not in first, name


def test_another_seed_gives_other_people() -> None:
    other = build_tables(dataclasses.replace(TRUE, seed=TRUE.seed + 2))
    assert not other["cases"].equals(build_tables()["cases"])


def test_without_a_folder_the_command_refuses(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "usage" in capsys.readouterr().err


# --- who is in it -------------------------------------------------------------------------------


def test_counts_are_as_described(tables: dict[str, pd.DataFrame], cases: pd.DataFrame) -> None:
    assert len(tables["patients"]) == 180
    assert 220 <= len(cases) <= 240
    assert set(cases["patient_id"]) == set(tables["patients"]["patient_id"])
    assert cases["patient_id"].str.fullmatch(r"P\d{3}").all()
    assert cases["case_id"].str.fullmatch(r"C\d{3}").all()
    assert (FOLDER / "distraction_sessions.csv").stat().st_size < 1_500_000


@pytest.mark.parametrize(
    ("column", "code", "low", "high"),
    [
        ("centre", "north", 0.75, 0.85),
        ("segment", "femur", 0.57, 0.67),
        ("segment", "tibia", 0.28, 0.39),
        ("segment", "humerus", 0.003, 0.04),
        ("segment", "forearm", 0.003, 0.04),
        ("device_class", "lengthening_nail", 0.50, 0.61),
        ("device_class", "circular_fixator", 0.20, 0.30),
        ("device_class", "monolateral_fixator", 0.05, 0.12),
        ("device_class", "lengthening_over_nail", 0.07, 0.14),
        ("device_class", "other", 0.003, 0.04),
        ("physes_open", "yes", 0.20, 0.45),
    ],
)
def test_case_mix(cases: pd.DataFrame, column: str, code: str, low: float, high: float) -> None:
    assert low <= (cases[column] == code).mean() <= high


def test_codes_are_those_of_the_contract(tables: dict[str, pd.DataFrame]) -> None:
    for table, columns in {
        "patients": {"sex": "sex", "aetiology": "aetiology"},
        "cases": {
            "side": "side", "segment": "segment", "device_class": "device_class",
            "nail_approach": "nail_approach", "physes_open": "yes_no",
            "outcome_status": "outcome_status",
        },
        "joint_motion": {"joint": "joint"},
        "weight_bearing": {"load": "load", "aid": "aid"},
        "complications": {
            "origin": "origin", "unplanned_operation": "yes_no", "permanent": "yes_no",
            "course_class": "course_class", "severity_type": "severity_type",
        },
    }.items():  # fmt: skip
        for column, codes in columns.items():
            used = set(tables[table][column].dropna())
            assert used <= set(vocabulary.codes(codes)), (table, column)


def test_children_and_frames_go_together_sensibly(cases: pd.DataFrame) -> None:
    assert cases["age_at_surgery_years"].between(6, 75).all()
    assert not (
        cases["nail_approach"].notna() & (cases["device_class"] != "lengthening_nail")
    ).any()
    tibial = (cases["device_class"] == "lengthening_nail") & (cases["segment"] == "tibia")
    assert (cases.loc[tibial, "nail_approach"].dropna() == "antegrade").all()
    young = cases["age_at_surgery_years"] < 9.5
    assert not cases.loc[young, "device_class"].str.contains("nail").any()
    assert (cases.loc[young, "physes_open"].dropna() == "yes").all()


def test_gaps_are_more_common_in_old_records(cases: pd.DataFrame) -> None:
    columns = [
        "segment_length_before_mm", "discrepancy_before_mm", "physes_open",
        "counselled_full_weight_bearing_weeks",
    ]  # fmt: skip
    walking = cases[cases["segment"].isin(vocabulary.WALKING_SEGMENTS)]
    old = walking["surgery_date"] < pd.Timestamp(TRUE.old_before)
    shares = walking[columns].isna().mean(axis=1).groupby(old).mean()
    assert 0.02 < shares[False] < shares[True] < 0.20


# --- the truth comes back -----------------------------------------------------------------------


@pytest.mark.parametrize("stratum", HEALING, ids=lambda s: f"{s.device}-{s.segment}-{s.approach}")
def test_healing_index_recovers_the_published_mean(cases: pd.DataFrame, stratum) -> None:
    chosen = (cases["device_class"] == stratum.device) & (cases["segment"] == stratum.segment)
    if stratum.approach:
        chosen &= cases["nail_approach"] == stratum.approach
    chosen &= (cases["surgery_date"] < MATURE) & (cases["achieved_gain_mm"] >= 10)
    values = cases.loc[chosen, "healing_index"].dropna()
    assert len(values) >= 3
    assert abs(values.mean() - stratum.mean) < 3 * stratum.sd / np.sqrt(len(values))


@pytest.mark.parametrize("device", [name for name in EVENT_RATES if name != "other"])
def test_complication_rate_recovers_the_truth(cases: pd.DataFrame, device: str) -> None:
    chosen = cases[(cases["device_class"] == device) & (cases["surgery_date"] < MATURE)]
    low, high = poisson_interval(int(chosen["events"].sum()))
    assert low <= EVENT_RATES[device].total / 100 * len(chosen) <= high


def test_nail_severity_types_recover_the_review(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    # Acta Orthop 2021;92:120-127, DOI 10.1080/17453674.2020.1835321: per 100 segments
    published = {"I": 11, "II": 15, "IIIA": 5, "IIIB": 3}
    nails = cases[(cases["device_class"] == "lengthening_nail") & (cases["surgery_date"] < MATURE)]
    events = tables["complications"]
    events = events[events["case_id"].isin(nails["case_id"])]
    for severity, rate in published.items():
        low, high = poisson_interval(int((events["severity_type"] == severity).sum()))
        assert low <= rate / 100 * len(nails) <= high, severity


def test_circular_frames_get_worse_in_2026(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    circular = cases[cases["device_class"] == "circular_fixator"]
    late = circular["surgery_date"] >= pd.Timestamp(TRUE.worse_from)
    counts, totals = circular["events"].groupby(late).sum(), late.value_counts()
    ratio = (counts[True] / totals[True]) / (counts[False] / totals[False])
    assert 2 <= ratio <= 4.5
    # exact conditional test of two Poisson counts: as binomial given their sum
    result = stats.binomtest(int(counts[True]), int(counts.sum()), totals[True] / totals.sum())
    assert result.pvalue < 0.01
    pins = tables["complications"]["pin_site_grade"].notna()
    soft = tables["complications"].loc[pins, "origin"] == "soft_tissue"
    assert soft.all()
    assert pins.sum() > 40


def test_distraction_rate_of_femoral_nails_recovers_the_truth(cases: pd.DataFrame) -> None:
    # about 1 mm a day (common practice, no published source); 0.97 in a nail series
    # (J Musculoskelet Surg Res 2021;5:250-6)
    chosen = (cases["device_class"] == "lengthening_nail") & (cases["segment"] == "femur")
    chosen &= ~cases["outcome_status"].isin(["stopped_early", "device_exchanged"])
    values = (cases["achieved_gain_mm"] / cases["distraction_days"])[chosen].dropna()
    slowed = 1 - TRUE.slowed_share * (1 - TRUE.slowed_factor)
    missed = 1 - TRUE.missed_days_mean / cases.loc[chosen, "distraction_days"].mean()
    truth = TRUE.rate_mm_per_day * slowed * missed
    assert abs(values.mean() - truth) < 3 * values.std(ddof=1) / np.sqrt(len(values))


def test_share_of_simultaneous_patients_recovers_the_truth(cases: pd.DataFrame) -> None:
    groups = cases.groupby("patient_id")
    span = groups["surgery_date"].agg(lambda dates: (dates.max() - dates.min()).days)
    both = (groups["side"].nunique() == 2) & (span <= 30)
    interval = stats.binomtest(int(both.sum()), len(both)).proportion_ci(method="exact")
    assert interval.low <= TRUE.simultaneous_share <= interval.high


# --- the standard course: common practice, no published source ----------------------------------


def test_standard_course_without_chance() -> None:
    course = expected_milestones(standard_plan(), TRUE)
    assert course.start == 5
    assert course.end == pytest.approx(43)  # about six weeks to gain
    assert course.union == pytest.approx(85)  # about six weeks to heal
    assert course.free == pytest.approx(90)  # first full load about three months after surgery


def test_standard_course_as_the_mean_of_many_draws() -> None:
    rng = np.random.default_rng(11)
    drawn = [draw_milestones(standard_plan(), TRUE, rng) for _ in range(4000)]
    assert np.mean([course.end for course in drawn]) == pytest.approx(43, abs=2)
    assert np.mean([course.union for course in drawn]) == pytest.approx(85, abs=2)
    assert np.mean([course.free for course in drawn]) == pytest.approx(90, abs=2)


def test_standard_course_keeps_130_degrees_and_full_activity_after_six_to_eight_weeks() -> None:
    rng = np.random.default_rng(12)
    people = [dataclasses.replace(standard_plan().patient, number=n) for n in range(300)]
    plans = [dataclasses.replace(standard_plan(), patient=person) for person in people]
    courses = [build_episode([plan], TRUE, rng)[0] for plan in plans]
    last = [
        [row["flexion_deg"] for row in course.motion if row["joint"] == "knee"][-1]
        for course in courses
    ]
    assert np.mean(last) == pytest.approx(130, abs=3)
    weeks = [(course.days["activity"] - course.days["free"]) / 7 for course in courses]
    assert 6 <= np.mean(weeks) <= 8


def test_a_third_of_a_millimetre_three_times_a_day_takes_seven_minutes() -> None:
    # 2 min 20 s a session: common practice, no published source
    assert rate_of(standard_plan(), TRUE) / TRUE.sessions_per_day == pytest.approx(1 / 3)
    assert TRUE.sessions_per_day * TRUE.session_seconds == 7 * 60


def test_knee_flexion_comes_back_as_published(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    knee = tables["joint_motion"].query("joint == 'knee'").sort_values("examined_on")
    age = (knee["examined_on"] - knee["case_id"].map(cases["surgery_date"])).dt.days
    base = knee[age <= 0].groupby("case_id")["flexion_deg"].last()
    assert 130 <= base.median() <= 135
    assert 0.03 <= 1 - len(base) / knee["case_id"].nunique() <= 0.11
    since = (knee["examined_on"] - knee["case_id"].map(cases["distraction_end_date"])).dt.days
    late = knee[since > 300].groupby("case_id")["flexion_deg"].last()
    kept = (late / base).dropna()
    femur = cases["segment"] == "femur"
    frames = femur & cases["device_class"].isin(vocabulary.FRAME_ONLY_CLASSES)
    nails = femur & (cases["device_class"] == "lengthening_nail")
    for chosen, truth in ((nails, 0.97), (frames, 0.93)):
        values = kept[kept.index.isin(cases.index[chosen])]
        assert abs(values.mean() - truth) < 3 * values.std(ddof=1) / np.sqrt(len(values))
    after = knee[age > 0]
    first = after.groupby("case_id")["flexion_deg"].first()
    assert (first <= after.groupby("case_id")["flexion_deg"].last()).mean() > 0.95


def test_families_are_promised_full_load_a_bit_early(cases: pd.DataFrame) -> None:
    waited = days(cases, "full_weight_bearing_date", "surgery_date") / 7
    gap = (waited - cases["counselled_full_weight_bearing_weeks"])[cases["surgery_date"] < MATURE]
    assert 0.5 <= gap.median() <= 6
