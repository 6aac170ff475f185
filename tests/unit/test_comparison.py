"""Two groups side by side: weights against a reference library and by hand, refusals, words."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest

from audit.estimates.compare import compare_curves, restricted_mean_difference
from audit.estimates.overlap import (
    cluster_draws,
    effective_size,
    logistic_fit,
    overlap_weights,
    resampled_weights,
    weighted_waiting,
)
from audit.estimates.regression import cox_model
from audit.estimates.survival import survival_curve
from audit.results.baseline import FACTS, baseline_table, unit_facts
from audit.results.comparison import IN_FIRST, adjusted_ratio, compare_groups
from audit.results.comparison_weights import CASE_MIX
from audit.results.times import time_table
from audit.tables import comparison as tables
from audit.tables import comparison_weights as weighted_tables

PAIR = {"first": "lengthening_nail", "second": "circular_fixator"}


def mix(seed=3, n=90):
    """Rows whose group depends on age and gain, as a device does."""
    rng = np.random.default_rng(seed)
    covariates = np.column_stack(
        [rng.normal(24, 12, n), rng.normal(45, 10, n), rng.integers(0, 2, n)]
    )
    logit = 0.05 * (covariates[:, 0] - 24) - 0.06 * (covariates[:, 1] - 45) + 0.7 * covariates[:, 2]
    return covariates, rng.random(n) < 1 / (1 + np.exp(-logit))


@pytest.fixture(scope="module")
def both(demo_run):
    return compare_groups(demo_run.cohort, **PAIR)


@pytest.fixture(scope="module")
def tibia(demo_run):
    return compare_groups(demo_run.cohort, segment="tibia", **PAIR)


# --- the weights ---


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_logistic_fit_agrees_with_a_reference_library(seed):
    """statsmodels Logit, maximum likelihood."""
    models = pytest.importorskip("statsmodels.api")
    covariates, yes = mix(seed)
    wanted = models.Logit(yes.astype(float), models.add_constant(covariates)).fit(
        disp=0, tol=1e-12, maxiter=200
    )
    found = logistic_fit(covariates, yes)
    assert found.coef == pytest.approx(wanted.params, abs=1e-8)
    assert found.std_error == pytest.approx(wanted.bse, rel=1e-6)
    assert found.fitted == pytest.approx(wanted.predict(), abs=1e-9)


def test_logistic_fit_by_hand():
    """One yes/no covariate: the fit gives the shares 1/4 and 2/3, so the slope is log 6."""
    covariate = np.array([[0], [0], [0], [0], [1], [1], [1]])
    yes = [True, False, False, False, True, True, False]
    found = logistic_fit(covariate, yes)
    assert found.coef == pytest.approx([np.log(1 / 3), np.log(6)])
    # Variance of a log odds ratio: the sum of 1 over each of the four counts (Woolf 1955).
    assert found.std_error[1] == pytest.approx(np.sqrt(1 + 1 / 3 + 1 / 2 + 1))


@pytest.mark.parametrize(
    ("covariates", "yes", "why"),
    [
        ([[1.0], [2.0], [3.0], [4.0]], [0, 0, 1, 1], "tell the two groups apart"),
        ([[1.0], [2.0], [3.0]], [1, 1, 1], "empty"),
        ([[2.0], [2.0], [2.0]], [1, 0, 1], "constant"),
        ([[1.0, 2.0], [2.0, 4.0], [4.0, 8.0], [0.0, 0.0]], [1, 0, 1, 0], "follows from the others"),
        # Quasi-complete: nobody of the first group has the covariate.
        ([[0.0], [0.0], [0.0], [1.0], [1.0]], [1, 1, 0, 0, 0], "tell the two groups apart"),
    ],
)
def test_no_logistic_fit_says_why(covariates, yes, why):
    found = logistic_fit(covariates, yes)
    assert found.coef is None and found.fitted is None
    assert why in found.note


def test_logistic_fit_refuses_what_is_not_a_number():
    with pytest.raises(ValueError, match="finite"):
        logistic_fit([[1.0], [np.nan]], [True, False])


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_overlap_weights_make_the_means_exactly_equal(seed):
    """Li, Morgan & Zaslavsky 2018, theorem 3."""
    covariates, first = mix(seed)
    weight = overlap_weights(logistic_fit(covariates, first).fitted, first)
    means = [np.average(covariates[part], axis=0, weights=weight[part]) for part in (first, ~first)]
    assert means[0] == pytest.approx(means[1], rel=1e-9)
    plain = [covariates[part].mean(axis=0) for part in (first, ~first)]
    assert np.abs(plain[0] - plain[1]).max() > 1


def test_every_resample_balances_too():
    covariates, first = mix()
    counts = cluster_draws(np.arange(len(first)) // 2, resamples=20, seed=1)
    weights = resampled_weights(covariates, first, counts)
    assert not np.isnan(weights).any()
    for row in weights:
        means = [
            np.average(covariates[part], axis=0, weights=row[part]) for part in (first, ~first)
        ]
        assert means[0] == pytest.approx(means[1], rel=1e-7)


def test_a_resample_is_the_fit_of_the_repeated_rows():
    covariates, first = mix()
    counts = cluster_draws(np.arange(len(first)), resamples=1, seed=5)
    repeated = np.repeat(np.arange(len(first)), counts[0].astype(int))
    fit = logistic_fit(covariates[repeated], first[repeated])
    wanted = overlap_weights(fit.fitted, first[repeated])
    found = resampled_weights(covariates, first, counts)[0]
    assert found[first].sum() == pytest.approx(wanted[first[repeated]].sum())
    assert found[~first].sum() == pytest.approx(wanted[~first[repeated]].sum())


def test_a_resample_without_one_group_has_no_weights():
    covariates, first = mix()
    counts = np.vstack([first, np.ones(len(first))])
    weights = resampled_weights(covariates, first, counts)
    assert np.isnan(weights[0]).all() and not np.isnan(weights[1]).any()


def test_clusters_are_drawn_whole():
    codes = np.array([0, 0, 1, 2, 2, 2])
    counts = cluster_draws(codes, resamples=50, seed=2)
    assert (counts[:, 0] == counts[:, 1]).all() and (counts[:, 3] == counts[:, 5]).all()
    assert (counts[:, [0, 2, 3]].sum(axis=1) == 3).all()


def test_weighted_waiting_by_hand():
    """Weights 1, 2, 1; events on days 1 and 3, the second row leaves on day 2.

    Day 1: 1 of 4 reached, 3/4 wait. Day 3: the last row alone at risk, nobody waits.
    """
    times = [1, 2, 3], [True, False, True], [0, 0, 0]
    found = weighted_waiting(times, [1, 2, 1], [0, 1, 2, 3])
    assert found[0] == pytest.approx([1, 0.75, 0.75, 0])


def test_weighted_waiting_with_late_entry_by_hand():
    """The second row comes under observation on day 1, so on day 1 it is not at risk yet."""
    times = [1, 2, 3], [True, True, False], [0, 1, 0]
    found = weighted_waiting(times, [1, 2, 1], [1, 2, 3, 4])
    assert found[0][:3] == pytest.approx([1 / 2, 1 / 2 * 1 / 3, 1 / 6])
    assert np.isnan(found[0][3])


def test_equal_weights_give_the_plain_curve():
    """The kit's own Kaplan-Meier, itself checked against a reference library elsewhere."""
    rng = np.random.default_rng(7)
    duration = np.ceil(rng.exponential(100, 60)) + 1
    observed, entry = rng.random(60) < 0.7, np.where(rng.random(60) < 0.2, 1.0, 0.0)
    curve = survival_curve(duration, observed, entry)
    days = [10, 50, 90, 120]
    found = weighted_waiting((duration, observed, entry), np.full(60, 0.3), days)
    assert found[0] == pytest.approx([curve.at(day).value for day in days])


def test_effective_size():
    """Kish: equal weights count whole; (1 + 3)^2 / (1 + 9) = 1.6."""
    assert effective_size([2, 2, 2]) == pytest.approx(3)
    assert effective_size([1, 3]) == pytest.approx(1.6)
    assert effective_size([]) == 0


# --- a comparison small enough to work by hand ---

CASES = """
case_id patient_id side  segment device_class     age_at_surgery_years physes_open surgery_date planned_gain_mm segment_length_before_mm full_weight_bearing_date last_follow_up_date outcome_status
C1      P1         left  femur   lengthening_nail 20                   no          2025-01-01   40              400                      2025-03-02               2025-12-01          completed
C2      P1         right femur   lengthening_nail 20                   no          2025-01-08   50              402                      2025-04-11               2025-12-01          completed
C3      P2         left  tibia   lengthening_nail 30                   -           2025-01-01   30              350                      -                        2025-02-10          in_treatment
C4      P3         left  tibia   circular_fixator 10                   yes         2025-01-01   60              300                      2025-07-20               2025-12-01          completed
C5      P3         right tibia   lengthening_nail 11                   yes         2025-01-11   60              300                      2025-07-20               2025-12-01          completed
C6      P2         right tibia   circular_fixator 31                   no          2025-06-01   40              352                      2025-09-09               2025-12-01          completed
C7      P4         left  femur   monolateral_fixator 40                no          2025-06-01   40              410                      2025-09-09               2025-12-01          completed
"""
PEOPLE = """
patient_id sex     aetiology
P1         female  congenital
P2         male    unknown
P3         female  short_stature
P4         male    tumour
"""


@pytest.fixture
def small(cohort_of):
    return cohort_of(cases=CASES, patients=PEOPLE)


def test_small_comparison_by_hand(small):
    """Nail: P1 (both legs, one course) and P2's first; fixator: P2's second. P3's course mixes both.

    P1: from 1 January to the last date, 11 April: day 100. P2: waits on day 40. Fixator: day 100.
    Area to 120 days: the nail curve falls from 1 to 0 on day 100, so 100; the fixator's likewise.
    """
    found = compare_groups(small, **PAIR)
    assert list(found.sizes["rows"]) == [2, 1]
    assert list(found.sizes["events"]) == [1, 1]
    assert list(found.sizes["patients_in_both"]) == [1, 1]
    assert found.left_out == {"mixed": 1, "other_groups": 1, "not_recorded": 0}
    lines = found.baseline.set_index(["fact", "level"])
    assert lines.loc[("age_years", ""), "first_mean"] == 25
    # The larger plan of the course of both legs counts: (50 + 30) / 2.
    assert lines.loc[("planned_gain_mm", ""), "first_mean"] == 40
    assert lines.loc[("length_before_mm", ""), "first_mean"] == 375
    assert lines.loc[("both_sides", ""), "first_count"] == 1
    # P2's growth plates are not recorded at the first surgery, and its aetiology is unknown.
    assert lines.loc[("physes_open", ""), ["first_n", "first_missing"]].tolist() == [1, 1]
    assert lines.loc[("aetiology", ""), ["first_missing", "second_missing"]].tolist() == [1, 1]
    assert lines.loc[("aetiology", "congenital"), "first_count"] == 1
    assert lines.loc[("age_years", ""), "difference"] != lines.loc[("age_years", ""), "difference"]
    assert "two values" in lines.loc[("age_years", ""), "note"]
    # Both events fall on day 100, when one row of each group is at risk: observed 1, expected 1.
    assert found.log_rank.observed == pytest.approx([1, 1])
    assert found.log_rank.expected == pytest.approx([1, 1])
    # Everybody at risk reached it at once: no variance, so no test.
    assert found.log_rank.p is None and found.log_rank.note


def test_small_comparison_refuses_what_it_cannot_estimate(small):
    found = compare_groups(small, **PAIR)
    assert found.cox is None and found.hazard_ratio.value is None
    assert "2 events for 4 variables" in found.hazard_ratio.note
    assert "local choice" in found.hazard_ratio.note
    assert "read the restricted means" in found.steadiness
    assert found.weighted.baseline is None
    assert "1 rows in the smaller group" in found.weighted.note
    for day in found.weighted.waiting.values():
        assert all(share.value is None and share.note for share in day.values())


def test_a_group_without_rows_is_told_not_crashed(small):
    found = compare_groups(small, first="lengthening_nail", second="other")
    assert list(found.sizes["rows"]) == [2, 0]
    assert found.log_rank.p is None and found.restricted_mean.difference.note
    assert found.weighted.note
    for table in shown(found):
        assert len(table.caption) and not table.frame.isna().any().any()


# --- refusals ---


@pytest.mark.parametrize(
    "column", ["outcome_status", "achieved_gain_mm", "union_date", "full_weight_bearing_date"]
)
def test_groups_by_what_is_known_later_are_refused(demo_run, column):
    with pytest.raises(ValueError, match="settled on the day of surgery") as caught:
        compare_groups(demo_run.cohort, column=column, **PAIR)
    assert column in str(caught.value) and "device_class" in str(caught.value)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"name": "time_to_fly"}, "time must be one of"),
        ({"name": "healing_index_censored_days_per_cm"}, "time must be one of"),
        ({"second": "lengthening_nail"}, "must differ"),
        ({"second": "a_rope"}, "device_class must be one of"),
        ({"segment": "tail"}, "segment must be one of"),
        ({"column": "centre"}, "centre must be one of"),
    ],
)
def test_other_wrong_choices_are_refused(demo_run, given, words):
    with pytest.raises(ValueError, match=words):
        compare_groups(demo_run.cohort, **{**PAIR, **given})


def made_up(events, rows=60):
    """Rows for a model: so many events, two covariates."""
    rng = np.random.default_rng(1)
    return pd.DataFrame(
        {
            "duration": np.arange(1.0, rows + 1),
            "observed": np.isin(np.arange(rows), rng.permutation(rows)[:events]),
            "entry": 0.0,
            "patient_id": [f"P{number}" for number in range(rows)],
            IN_FIRST: rng.integers(0, 2, rows).astype(float),
            "age_years": rng.normal(size=rows),
        }
    )


def test_too_few_events_are_refused_and_just_enough_are_not():
    model, ratio = adjusted_ratio(made_up(9), ["age_years"], missing=2)
    assert model is None and ratio.value is None and ratio.missing == 2
    assert "9 events for 2 variables (4.5 each): fewer than 5 per variable" in ratio.note
    model, ratio = adjusted_ratio(made_up(10), ["age_years"])
    assert model is not None and ratio.value is not None
    assert "unreliable" in ratio.note


def test_a_row_that_ends_on_the_day_of_surgery_does_not_stop_the_model():
    """With late entry such a row was never watched; it is left out and counted."""
    rows = made_up(30)
    rows.loc[1, "entry"] = 0.5
    wanted = adjusted_ratio(rows, ["age_years"])[1]
    ended = rows.iloc[[5]].assign(duration=0.0, observed=False, patient_id="P99")
    found = adjusted_ratio(pd.concat([rows, ended], ignore_index=True), ["age_years"])[1]
    assert found.value == pytest.approx(wanted.value)
    assert (found.n, found.missing) == (wanted.n, 1)
    assert "1 last seen on the day of surgery left out" in found.note


# --- the demo data: the parts are those of the estimators called directly ---


def plain_rows(run):
    table = time_table(run.cohort, "time_to_full_weight_bearing")
    table = table.loc[table["reason"].isna() & table["device_class"].isin(PAIR.values())]
    return table.reset_index(drop=True)


def test_tests_match_the_estimators_called_directly(demo_run, both):
    rows = plain_rows(demo_run)
    early = rows.loc[rows["entry"] <= 0]
    times = early["duration"], early["observed"], early["device_class"]
    assert both.log_rank.chi2 == pytest.approx(compare_curves(*times).chi2)
    stratified = compare_curves(*times, early["segment"])
    assert both.stratified.chi2 == pytest.approx(stratified.chi2)
    curves = []
    for code in PAIR.values():
        part = rows.loc[rows["device_class"] == code]
        curves.append(
            survival_curve(part["duration"], part["observed"], part["entry"], unit="days")
        )
    wanted = restricted_mean_difference(*curves, t=365).difference
    found = both.restricted_mean.difference
    assert (found.value, found.low, found.high) == pytest.approx(
        (wanted.value, wanted.low, wanted.high)
    )


def test_ratio_matches_the_model_called_directly(demo_run, both):
    rows = plain_rows(demo_run)
    facts = unit_facts(demo_run.cohort, rows)
    frame = rows.assign(
        **facts[["age_years", "planned_gain_mm", "tibia"]],
        nail=(rows["device_class"] == "lengthening_nail").astype(float),
    )
    wanted = cox_model(
        frame,
        duration="duration",
        event="observed",
        covariates=["nail", "age_years", "planned_gain_mm", "tibia"],
        cluster="patient_id",
        entry="entry",
    ).hazard_ratio("nail")
    found = both.hazard_ratio
    assert (found.value, found.low, found.high) == pytest.approx(
        (wanted.value, wanted.low, wanted.high)
    )


def test_counts_add_up(demo_run, both):
    table = time_table(demo_run.cohort, "time_to_full_weight_bearing")
    assert both.sizes["rows"].sum() + sum(both.left_out.values()) == len(table)
    heads = both.baseline.loc[both.baseline["level"] == ""]
    for side, rows in zip(("first", "second"), both.sizes["rows"], strict=True):
        assert (heads[f"{side}_n"] + heads[f"{side}_missing"] == rows).all()
    levels = both.baseline.loc[both.baseline["level"] != ""]
    for fact, part in levels.groupby("fact"):
        head = heads.loc[heads["fact"] == fact].iloc[0]
        assert part["first_count"].sum() == head["first_n"]
    assert set(both.baseline["fact"]) == set(FACTS) - {"device_class"}


def test_swapping_the_groups_turns_the_signs(demo_run, both):
    other = compare_groups(demo_run.cohort, first=PAIR["second"], second=PAIR["first"])
    assert other.hazard_ratio.value == pytest.approx(1 / both.hazard_ratio.value)
    assert other.restricted_mean.difference.value == pytest.approx(
        -both.restricted_mean.difference.value
    )
    for day, shares in both.weighted.waiting.items():
        found = other.weighted.waiting[day]
        assert found["first"].value == pytest.approx(shares["second"].value)
        assert found["difference"].low == pytest.approx(-shares["difference"].high)


def test_weighted_baseline_is_balanced_in_the_case_mix_only(both):
    after = both.weighted.baseline.set_index(["fact", "level"])
    for fact in set(CASE_MIX) & set(FACTS):
        assert after.loc[(fact, ""), "difference"] == pytest.approx(0, abs=1e-8)
    assert both.weighted.case_mix == CASE_MIX
    assert abs(after.loc[("aetiology", ""), "difference"]) > 0.1
    words = weighted_tables.weighted_baseline_shown(both)
    assert "aetiology" in " ".join(words.notes)


def test_equal_weights_change_nothing_in_the_means(demo_run):
    rows = plain_rows(demo_run)
    facts, first = unit_facts(demo_run.cohort, rows), rows["device_class"] == "lengthening_nail"
    plain = baseline_table(facts, first)
    same = baseline_table(facts, first, weights=pd.Series(0.5, index=rows.index))
    for name in ("first_mean", "second_mean"):
        assert same[name].to_numpy(float) == pytest.approx(plain[name].to_numpy(float), nan_ok=True)
    category = plain["kind"] != "number"
    assert same.loc[category, "difference"].to_numpy() == pytest.approx(
        plain.loc[category, "difference"].to_numpy(), nan_ok=True
    )


def test_weighted_shares_lie_in_their_limits_and_repeat(demo_run, tibia):
    again = compare_groups(demo_run.cohort, segment="tibia", **PAIR)
    for day, shares in tibia.weighted.waiting.items():
        assert shares == again.weighted.waiting[day]
        for share in shares.values():
            assert share.low is None or share.low <= share.value <= share.high
        gap = shares["first"].value - shares["second"].value
        assert shares["difference"].value == pytest.approx(gap)
    # Nobody of the weighted rows waits at a year: all resamples agree, which is no certainty.
    assert tibia.weighted.waiting[365]["first"].low is None


def test_one_bone_is_neither_stratum_nor_covariate(demo_run, tibia):
    assert tibia.stratified is None and "one bone only" in tibia.stratified_note
    assert "tibia" not in set(tibia.cox.table["covariate"])
    assert "segment" not in set(tibia.baseline["fact"])
    bones = compare_groups(demo_run.cohort, column="segment", first="femur", second="tibia")
    assert bones.weighted.case_mix == ("age_years", "planned_gain_mm", "length_before_mm")
    assert bones.left_out["mixed"] > 0


@pytest.mark.parametrize("name", ["time_to_union", "time_to_full_weight_bearing_by_case"])
def test_other_times_have_one_row_a_case(demo_run, name):
    found = compare_groups(demo_run.cohort, name, **PAIR)
    cases = demo_run.cohort.cases
    assert found.sizes["rows"].sum() <= cases["device_class"].isin(PAIR.values()).sum()
    assert not found.baseline["first_mean"].isna().all()
    for table in shown(found):
        assert len(table.frame)


def test_the_cohort_is_left_as_it_was(demo_run):
    before = {name: frame.copy() for name, frame in demo_run.cohort.tables.items()}
    compare_groups(demo_run.cohort, segment="tibia", **PAIR)
    for name, frame in demo_run.cohort.tables.items():
        pd.testing.assert_frame_equal(frame, before[name])


# --- what people read ---

#: verbs and words that say one thing brings about another (Hernan 2018, Am J Public Health
#: 108:616-619, on words of this kind), or that one side is to be preferred
CAUSAL = (
    r"caus\w*|effects?|effective\w*|affect\w*|leads?|led|due|improv\w*|reduc\w*|increas\w*|decreas\w*"
    r"|benefit\w*|better|worse|superior\w*|inferior\w*|faster|slower|quicker|accelerat\w*|delays?"
    r"|delayed|results? in|because|thanks|impact\w*|influenc\w*|prevent\w*|shorten\w*|prolong\w*"
    r"|speeds?|protect\w*|advantage\w*|outperform\w*|saves?|helps?|recommend\w*|prefer\w*"
)


def shown(found):
    return [
        tables.baseline_shown(found),
        tables.result_shown(found),
        weighted_tables.weighted_baseline_shown(found),
        weighted_tables.waiting_shown(found),
    ]


def words_of(table):
    cells = table.frame.astype(str).to_numpy().ravel().tolist()
    return " ".join([table.caption, *table.notes, *table.frame.columns, *cells])


@pytest.mark.parametrize("segment", [None, "tibia", "femur"])
def test_no_word_says_why_the_groups_differ(demo_run, segment):
    found = compare_groups(demo_run.cohort, segment=segment, **PAIR)
    for table in shown(found):
        said = re.findall(rf"\b({CAUSAL})\b", words_of(table), flags=re.IGNORECASE)
        assert said == [], table.name
        assert (
            any("different patients" in note for note in table.notes)
            or not len(table.frame)
            or (table.name == "comparison_weighted_baseline")
        )
    assert re.findall(rf"\b({CAUSAL})\b", " ".join(tables.CAUTIONS), flags=re.IGNORECASE) == []


def test_the_baseline_table_has_no_p_value(both, tibia):
    for found in (both, tibia):
        for table in (tables.baseline_shown(found), weighted_tables.weighted_baseline_shown(found)):
            assert not re.search(r"\bp\s*[=<>]|\bp value", words_of(table), flags=re.IGNORECASE)


def test_baseline_cells(tibia):
    frame = tables.baseline_shown(tibia).frame.set_index("Known at surgery")
    head = tibia.baseline.set_index(["fact", "level"]).loc[("physes_open", "")]
    cell = frame.loc["Growth plates open", "Lengthening nail"]
    assert cell.startswith(f"{int(head['first_count'])}/{int(head['first_n'])} (")
    assert frame.loc["Growth plates open", "Missing, lengthening nail"] == str(
        int(head["first_missing"])
    )


@pytest.mark.parametrize(
    ("p", "words"),
    [(0.0004, "p < 0.001"), (0.0042, "p = 0.004"), (0.046, "p = 0.05"), (0.3, "p = 0.30"),
     (0.999, "p > 0.99")],
)  # fmt: skip
def test_p_values_in_the_house_style(p, words):
    """Rule: two decimals, three where the first two are zero (journal style pages)."""
    assert tables.p_words(p) == words


def test_a_ratio_that_changes_sends_the_reader_to_the_restricted_means(both):
    line = tables.result_shown(both).frame.set_index("Quantity")
    ratio = next(name for name in line.index if name.startswith("Adjusted hazard ratio"))
    assert "seems to change over time" in line.loc[ratio, "Reservation"]
    assert "Difference of restricted mean days" in line.index


def test_the_page_shows_who_the_groups_are_before_any_result(demo_run, monkeypatch):
    from audit.pages import comparison as page

    seen = []
    monkeypatch.setattr(page, "show_cautions", lambda sentences: seen.append("cautions"))
    monkeypatch.setattr(page, "show", lambda table: seen.append(table.name))
    monkeypatch.setattr(page, "show_figure", lambda figure, *, name, **rest: seen.append(name))
    page.show_comparison(demo_run)
    assert seen == [
        "cautions",
        "comparison_baseline",
        "comparison_curves",
        "comparison_results",
        "comparison_weighted_baseline",
        "comparison_waiting",
    ]


def test_the_result_cannot_be_changed(both):
    with pytest.raises(dataclasses.FrozenInstanceError):
        both.first = "other"
