"""Rank tests, Fisher's test, balance, adjusted p values and pooling against R 4.2.2.

Each test takes every check of its method; the source of each is in the data file.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from audit.estimates.balance import (
    standardised_difference,
    standardised_difference_categories,
    standardised_difference_of_shares,
    standardised_difference_yes_no,
)
from audit.estimates.fisher import fisher_exact, fisher_exact_rxc
from audit.estimates.multiplicity import adjust_p_values, holm
from audit.estimates.pooling import pool_rubin
from audit.estimates.two_groups import mann_whitney, wilcoxon_signed_rank
from tests.reference.adapters import our_adjusted, our_fisher_rxc
from tests.reference.checks import (
    assert_close,
    assert_printed,
    at_path,
    every_check,
    load_check,
    published_values,
)


def our_mann_whitney(check):
    table = check.table()
    first, second = table["group"].unique()
    found = mann_whitney(*(table.loc[table["group"] == g, "value"] for g in (first, second)))
    return {
        "W": found.statistic,
        "p": found.p_value,
        "p_greater": found.p_greater,
        "hodges_lehmann": found.estimate.value,
        "hodges_lehmann_median_of_differences": found.estimate.value,
        "ci": [found.estimate.low, found.estimate.high],
    }


def our_signed_rank(check):
    table = check.table()
    found = wilcoxon_signed_rank(table["x"], table["y"])
    return {
        "V": found.statistic,
        "p_two_sided_exact": found.p_value,
        "p_greater_exact": found.p_greater,
        "hodges_lehmann": found.estimate.value,
        "ci": [found.estimate.low, found.estimate.high],
        "ci_level_nominal": found.estimate.level,
    }


def our_fisher(check):
    found = fisher_exact(check.data["table"])
    return {
        "p": found.p_value,
        "p_greater": found.p_greater,
        "p_less": found.p_less,
        "odds_ratio_conditional_mle": found.estimate.value,
        "lower": found.estimate.low,
        "upper": found.estimate.high,
    }


def our_pool(check):
    data = check.data
    found = pool_rubin(data["estimates"], data["standard_errors"], df_complete=data["df_complete"])
    large = pool_rubin(data["estimates"], data["standard_errors"])
    return {
        "m": found.estimate.n,
        "estimate": found.estimate.value,
        "within": found.within,
        "between": found.between,
        "total": found.total,
        "se": found.total**0.5,
        "r": found.increase,
        "lambda": found.share_missing,
        "df_rubin1987": found.degrees_1987,
        "df_barnard_rubin": found.degrees,
        "fmi_barnard_rubin": found.fraction_missing,
        "lower_br": found.estimate.low,
        "upper_br": found.estimate.high,
        "df_mitools_inf": large.degrees,
    }


@every_check("mann_whitney")
def test_mann_whitney(check):
    assert_close(our_mann_whitney(check), check.expected, check.tolerance)


@published_values("mann_whitney")
def test_mann_whitney_as_printed(check, published):
    assert_printed(at_path(our_mann_whitney(check), published["path"]), published)


def test_mann_whitney_with_ties_is_the_corrected_normal_approximation():
    """scipy's exact form is silently wrong with ties, so it must not be the one in use."""
    first, second = [1, 2, 2, 3, 3, 5, 7, 7], [4, 5, 6, 6, 7, 8, 8, 9]
    found = mann_whitney(first, second)
    corrected = stats.mannwhitneyu(first, second, method="asymptotic").pvalue
    assert found.p_value == pytest.approx(corrected, rel=1e-12)
    assert found.p_value != pytest.approx(
        stats.mannwhitneyu(first, second, method="exact").pvalue, rel=1e-3
    )
    assert "tie" in found.method


@every_check("wilcoxon_signed_rank")
def test_wilcoxon_signed_rank(check):
    ours = our_signed_rank(check)
    assert set(ours) == set(check.expected)
    assert_close(ours, check.expected, check.tolerance)


@published_values("wilcoxon_signed_rank")
def test_wilcoxon_signed_rank_as_printed(check, published):
    assert_printed(at_path(our_signed_rank(check), published["path"]), published)


@every_check("fisher_exact")
def test_fisher_exact(check):
    # R stops its root search early; the limits it prints are kept in the file, not aimed at.
    tight = {key: value for key, value in check.expected.items() if "printed" not in key}
    ours = our_fisher(check)
    assert set(ours) == set(tight)
    assert_close(ours, tight, check.tolerance)


@published_values("fisher_exact")
def test_fisher_exact_as_printed(check, published):
    ours = at_path(our_fisher(check), published["path"])
    if published["path"] == "odds_ratio_conditional_mle":
        # R prints 6.408309 after an early stop; the estimate solves E(X) = 3 with weights
        # 1 16 36 16 1, which is w^4 - 36 w^2 - 32 w - 3 = 0 (positive root).
        assert ours == pytest.approx(max(np.roots([1, 0, -36, -32, -3])), rel=1e-8)
        assert ours == pytest.approx(published["value"], rel=1e-5)
    else:
        assert_printed(ours, published)


@every_check("fisher_exact_rxc")
def test_fisher_exact_rxc(check):
    assert_close(our_fisher_rxc(check), check.expected, check.tolerance)


@published_values("fisher_exact_rxc")
def test_fisher_exact_rxc_as_printed(check, published):
    assert_printed(fisher_exact_rxc(check.data["table"]).p_value, published)


@every_check("fisher_exact")
def test_fisher_exact_rxc_of_a_small_table_is_the_plain_test(check):
    found = fisher_exact_rxc(check.data["table"])
    assert found.p_value == pytest.approx(check.expected["p"], rel=1e-9)


def our_differences(check):
    """The standardised differences that a check holds, by the keys of its expected values."""
    data = check.data
    if "p1" in data:
        return {"smd_binary": standardised_difference_of_shares(data["p1"], data["p2"]).value}
    if "prop1" in data:
        found = standardised_difference_of_shares(data["prop1"], data["prop2"])
        return {"smd_categorical": found.value}
    table, column = check.table(), data["variable"]
    groups = [table.loc[table["sex"] == sex, column] for sex in (1, 2)]
    forms = {"smd_austin": "austin", "cohen_d_pooled": "cohen", "hedges_g": "hedges"}
    return {key: standardised_difference(*groups, form=form).value for key, form in forms.items()}


@every_check("standardised_mean_difference")
def test_standardised_difference(check):
    ours = our_differences(check)
    assert set(ours) == set(check.expected)
    assert_close(ours, check.expected, check.tolerance)


def test_standardised_difference_of_rows_is_that_of_their_shares():
    """The checks on shares again, as 20 rows a group: 6/20 = 0.3, 9/20 = 0.45; 10, 6, 4 of 20."""
    yes_no = standardised_difference_yes_no([1] * 6 + [0] * 14, [1] * 9 + [0] * 11)
    expected = load_check("smd_binary_30_45").expected["smd_binary"]
    assert yes_no.value == pytest.approx(expected, rel=1e-12)
    one, two = list("a" * 10 + "b" * 6 + "c" * 4), list("a" * 7 + "b" * 8 + "c" * 5)
    found = standardised_difference_categories(one, two)
    expected = load_check("smd_categorical_3").expected["smd_categorical"]
    assert found.value == pytest.approx(expected, rel=1e-9)
    assert (found.n, found.missing) == (40, 0)


@every_check("holm")
def test_adjusted_p_values(check):
    assert_close(our_adjusted(check), check.expected, check.tolerance)
    assert_close(holm(check.data["p"]), check.expected["holm"], check.tolerance)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("holm", "holm"),
        ("bonferroni", "bonferroni"),
        ("hochberg", "simes-hochberg"),
        ("bh", "fdr_bh"),
    ],
)
def test_adjusted_p_values_agree_with_statsmodels(ours, theirs):
    p = np.random.default_rng(4).uniform(size=25) ** 3
    expected = multipletests(p, method=theirs)[1]
    np.testing.assert_allclose(adjust_p_values(p, method=ours), expected, rtol=1e-12)


@every_check("rubin_pooling")
def test_rubin_pooling(check):
    # Another package's small-sample degrees of freedom; a value to recognise, not to reach.
    wanted = {k: v for k, v in check.expected.items() if k != "df_mitools_complete"}
    ours = our_pool(check)
    assert set(ours) == set(wanted)
    assert_close(ours, wanted, check.tolerance)


@published_values("rubin_pooling")
def test_rubin_pooling_as_printed(check, published):
    assert_printed(at_path(our_pool(check), published["path"]), published)
