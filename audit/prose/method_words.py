"""What each method of results.csv is called in a paper, and whose it is."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable

import pandas as pd

from audit.prose.references import cite


@dataclasses.dataclass(frozen=True)
class MethodWords:
    """pattern: of the method column, counts taken out. words: part of a sentence, with its sources.
    clustered: only of use where a patient gives more than one case. shown: False for what results
    hold but no table of a paper shows."""

    pattern: str
    words: str
    clustered: bool = False
    shown: bool = True


METHOD_WORDS: tuple[MethodWords, ...] = (
    MethodWords(r"mean, t interval", f"means with t intervals {cite('student1908')}"),
    MethodWords(
        r"standard deviation \(n - 1\), chi-squared interval",
        "standard deviations with divisor n - 1",
    ),
    MethodWords(
        r"(median|lower quartile|upper quartile), exact order-statistic interval",
        f"medians and quartiles by linear interpolation {cite('hyndman1996')} with exact intervals "
        f"between order statistics {cite('conover1999')}",
    ),
    MethodWords(r"(smallest|largest) value observed", "smallest and largest values", shown=False),
    MethodWords(
        r"ratio of totals, linearised t interval",
        "total time over total length with linearised t intervals beside the mean of the cases' "
        f"indices {cite('cochran1977')}",
    ),
    MethodWords(
        r"proportion, Wilson interval",
        f"shares with Wilson score intervals, no continuity correction {cite('wilson1927')}",
    ),
    MethodWords(
        r"proportion, (exact|Clopper-Pearson).*",
        f"shares with exact intervals {cite('clopper1934')}",
    ),
    MethodWords(
        r"rate, exact Poisson \(Garwood\) interval",
        f"event rates with exact Poisson intervals {cite('garwood1936')}",
    ),
    MethodWords(
        r"limit of agreement, multiplier 1\.96, exact noncentral-t interval",
        "planned against achieved gain as bias and limits of agreement (bias plus and minus 1.96 "
        f"standard deviations) {cite('bland1999')} with exact intervals {cite('carkeet2015')}",
    ),
    MethodWords(
        r"Kaplan-Meier, log-log interval",
        f"times to an event by the Kaplan-Meier curve {cite('kaplan1958')} with log-log limits "
        f"{cite('kalbfleisch1980')}",
    ),
    MethodWords(
        r"Kaplan-Meier (median|0\.\d+ quantile of time), log-log interval",
        f"median and quartile times read off that curve and its limits {cite('brookmeyer1982')}",
    ),
    MethodWords(
        r"restricted mean \(area under Kaplan-Meier\), normal interval",
        f"mean times up to a fixed day as the area under it {cite('klein2003')}",
    ),
    MethodWords(
        r"Aalen-Johansen.*",
        "the share that has reached an event by the Aalen-Johansen estimator where another event "
        f"can rule it out {cite('aalen1978')}",
    ),
    MethodWords(
        r"(median, )?interval-censored curve \(Turnbull\), intervals open on the left",
        "events that were only seen at a visit also as interval-censored, by the non-parametric "
        f"maximum likelihood curve {cite('turnbull1976')}",
    ),
    MethodWords(
        r"median, interval-censored curve \(Turnbull\).*, percentile bootstrap",
        "the limits of its median from resampled patients, which are rough for this curve "
        f"{cite('sen2015')}",
    ),
    MethodWords(
        r"reverse Kaplan-Meier median, log-log interval",
        f"length of follow-up by the reverse Kaplan-Meier median {cite('schemper1996')}",
    ),
    MethodWords(
        r"(mean|ratio of totals), cluster-robust t interval \(# clusters\)",
        "means and ratios of totals with cluster-robust t intervals over patients "
        f"{cite('liang1986', 'cameron2015')}",
        clustered=True,
    ),
    MethodWords(
        r"proportion, cluster-robust logit interval \(# clusters\)",
        "shares with cluster-robust intervals on the logit scale, and a Wilson interval on the "
        f"effective number where nobody or everybody had the event {cite('korn1998')}",
        clustered=True,
    ),
    MethodWords(
        r"rate, cluster-robust log interval \(# clusters\)",
        "rates with cluster-robust intervals on the log scale",
        clustered=True,
    ),
    MethodWords(
        r"median, cluster bootstrap percentile interval \((# resamples|all resamples listed)\)",
        f"medians with percentile intervals from resampled whole patients {cite('davison1997')}",
        clustered=True,
    ),
    MethodWords(
        r"(Kaplan-Meier|restricted mean).*, robust over # clusters",
        "Kaplan-Meier limits from the infinitesimal jackknife grouped by patient "
        f"{cite('therneau2000')}",
        clustered=True,
    ),
    MethodWords(
        r"effective number of rows, n / design effect \(# clusters\)",
        "the number of independent cases that the cases are worth, from the intra-patient "
        f"correlation {cite('donner1986')}",
        clustered=True,
    ),
    MethodWords(
        r".*[Ss]tandardised difference.*",
        f"differences between groups at the start as standardised differences {cite('austin2009')}",
    ),
    MethodWords(
        r"(linear|logistic) regression, cluster-robust t interval \(# clusters\)",
        "linear or logistic regression with cluster-robust t intervals over patients "
        f"{cite('liang1986', 'cameron2015')}",
    ),
    MethodWords(
        r".*Cox.*",
        f"hazard ratios by Cox regression, ties after Efron {cite('cox1972')}, with standard "
        f"errors grouped by patient {cite('lin1989')}",
    ),
)


def plain_method(method: str) -> str:
    """A method without the counts that differ from row to row."""
    return re.sub(r"\d+ (clusters|resamples)", r"# \1", method)


def methods_in(*tables: pd.DataFrame) -> list[str]:
    """The methods behind the values of tables in the contract's columns, counts taken out.

    Rows without a value count too: the method was planned and its reason is shown.
    """
    found: set[str] = set()
    for table in tables:
        rows = table.loc[table["window"] == "all"] if "window" in table else table
        found |= {plain_method(str(one)) for one in rows["method"].dropna().unique()}
    return sorted(found - {""})


def words_for(methods: Iterable[str], *, clustered: bool) -> list[str]:
    """The words of the kind `clustered` or not for some methods, each once, in a fixed order."""
    wanted = list(methods)
    return [
        entry.words
        for entry in METHOD_WORDS
        if entry.shown
        and entry.clustered == clustered
        and any(re.fullmatch(entry.pattern, method) for method in wanted)
    ]


def without_words(methods: Iterable[str]) -> list[str]:
    """The methods that no entry describes; the text then prints them as they are."""
    patterns = [entry.pattern for entry in METHOD_WORDS]
    return [one for one in methods if not any(re.fullmatch(each, one) for each in patterns)]
