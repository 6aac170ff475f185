"""The method text, made from what ran: results, settings, plan and versions of the libraries."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from audit.document import Paragraph
from audit.intake.provenance import MadeWith, made_with
from audit.plan import FACTS, SelectionRule
from audit.prose.facts import counts_of_series, month_words, patients_with_several, period_words
from audit.prose.method_words import methods_in, without_words, words_for
from audit.prose.pointers import Pointers
from audit.prose.references import cite
from audit.prose.study_text import own_words
from audit.results.catalogue import BY_NAME, TIMES
from audit.results.rows import FEWEST_CLUSTERS
from audit.results.walking_variants import MAIN, SENSITIVITY
from audit.series.case_series import CaseSeries

#: the libraries that give numbers; the kit's record of a run names the others
SOFTWARE = ("pandas", "numpy", "scipy", "lifelines")
#: words for why a rule is there
GROUND_WORDS = {"clinical": "clinical", "data": "quality of the data", "design": "design"}


def participants_text(series: CaseSeries, pointers: Pointers) -> list[Paragraph]:
    """Who could be in, the rules in the order applied, and the last day the data speak of."""
    cutoff = series.run.cohort.cutoff
    rules = series.plan.rules
    looked_at = series if series.whole is None else series.whole.cohort
    opening = (
        f"All cases in the tables were looked at, operated {period_words(looked_at)}. The tables "
        f"were closed in {month_words(cutoff)}; nothing dated later was used. A case is one bone "
        "segment lengthened in one episode; a limb is one side of a patient in one episode."
    )
    if not rules:
        return [Paragraph((f"{opening} No rule of selection was applied.",))]
    listed = " ".join(_rule_words(place, rule) for place, rule in enumerate(rules, start=1))
    text = (
        f"{opening} Rules of selection were set in the plan{_plan_words(series)} and applied in "
        f"this order{pointers.see('series_rules', 'series_flow', 'flow')}: {listed}"
    )
    return [Paragraph((text,))]


def _rule_words(place: int, rule: SelectionRule) -> str:
    does = "in" if rule.kind == "include" else "out"
    ground = GROUND_WORDS.get(rule.ground, rule.ground)
    return f"({place}) {does}: {own_words(rule.words)[:-1]} (ground: {ground})."


def _plan_words(series: CaseSeries) -> str:
    plan = series.plan
    parts = [
        f"version {plan.version}" if plan.version else "",
        f"dated {plan.dated}" if plan.dated else "",
    ]
    words = ", ".join(part for part in parts if part)
    return f" ({words})" if words else ""


def outcome_text(series: CaseSeries, pointers: Pointers) -> list[Paragraph]:
    """Time zero, events, end of watching, cut points: what a table of definitions spells out."""
    settings = series.run.cohort.settings
    text = (
        "Days count from surgery, day 0. Every measure is defined in one register"
        f"{pointers.see('series_definitions')}. Union is the first film with "
        f"{settings.union_cortices} of 4 cortices bridged on two views; full weight bearing is the "
        "first visit at which full load without aids was allowed. A gain within "
        f"{settings.tolerance_mm:g} mm of the plan counts as within tolerance, and a knee as "
        f"recovered at {100 * settings.recovery_share:g}% of its flexion before surgery. These cut "
        "points are settings of the run, not chosen from its data. No index per centimetre is "
        "formed below 10 mm gained."
        f" Complications are classed by course {cite('paley1990')} and by severity "
        f"{cite('black2015')}, and counted as events, as cases and as patients."
    )
    return [Paragraph((text,))]


def estimates_text(series: CaseSeries, analyses: Sequence[pd.DataFrame] = ()) -> list[Paragraph]:
    """The methods that ran, and how several cases of one patient were handled. analyses: further
    tables with a column `method`."""
    return [
        Paragraph((_estimates_words(series, analyses),)),
        Paragraph((_unit_words(series, analyses),)),
    ]


def missing_text(series: CaseSeries, pointers: Pointers) -> list[Paragraph]:
    """Missing values, waiting cases, late entry, completeness of follow-up."""
    return [Paragraph((_missing_words(series, pointers),))]


def sensitivity_text(series: CaseSeries, pointers: Pointers) -> list[Paragraph]:
    """The other definitions that ran, and the software with its versions."""
    return [
        Paragraph((_sensitivity_words(series, pointers),)),
        Paragraph((_software_words(made_with()),)),
    ]


def _estimates_words(series: CaseSeries, analyses: Sequence[pd.DataFrame]) -> str:
    methods = methods_in(series.run.results, *analyses)
    level = f"{100 * series.run.cohort.settings.level:g}%"
    text = (
        f"Estimates stand with {level} confidence intervals (CI); no P value is given in the "
        "descriptive tables and none is used to choose what is shown. Intervals are not adjusted "
        f"for their number. Used were: {'; '.join(words_for(methods, clustered=False))}."
    )
    others = without_words(methods)
    text += f" Also used, as named with the results: {'; '.join(others)}." if others else ""
    return f"{text}{_regression_words(series)} Numbers are rounded half up {cite('cole2015')}."


def _regression_words(series: CaseSeries) -> str:
    plan = series.plan.regression
    if not plan.outcome:
        return ""
    covariates = ", ".join(FACTS[name].title.lower() for name in plan.covariates)
    return (
        f" One regression was set in the plan, {_title(plan.outcome).lower()} on {covariates}; it "
        f"is fitted only with at least {plan.minimum_per_variable} events, or cases for a number, "
        f"a coefficient {cite('peduzzi1995')}."
    )


def _title(measure: str) -> str:
    if measure in TIMES:
        return TIMES[measure][0]
    return BY_NAME[measure].title if measure in BY_NAME else measure.replace("_", " ")


def _unit_words(series: CaseSeries, analyses: Sequence[pd.DataFrame]) -> str:
    counts = counts_of_series(series)
    if not counts.several:
        return "Every patient gave one case, so cases, limbs and patients are the same number."
    methods = methods_in(series.run.results, *analyses)
    gap = series.run.cohort.settings.episode_gap_days
    return (
        f"{patients_with_several(series)} of {counts.patients} patients gave more than one case. "
        f"Such cases are not independent {cite('bryant2006')}: intervals are taken over patients "
        f"wherever a group has {FEWEST_CLUSTERS} patients or more, and take cases as independent "
        f"below that. Used were: {'; '.join(words_for(methods, clustered=True))}. A patient whose "
        f"surgeries lie within {gap} days of one another learns to walk once, so full weight "
        "bearing is analysed by such walking episodes, and its time runs from the first surgery to "
        "the last of the dates."
    )


def _missing_words(series: CaseSeries, pointers: Pointers) -> str:
    late = int((series.cases["entry_date"] > series.cases["surgery_date"]).sum())
    text = (
        "Values that were not recorded were not replaced: each estimate uses the cases that have "
        f"what it needs, and its n and the number missing stand beside it {cite('lee2021')}"
        f"{pointers.see('series_complete', 'series_missing')}. Cases that still wait for union or "
        "full weight bearing stay in the analysis of times, censored at the last day on which they "
        "were seen to wait; the indices of finished cases leave them out and say so."
    )
    if late:
        text += (
            f" {late} cases taken over in mid-treatment enter the analysis of times on the day of "
            "their arrival."
        )
    return f"{text} Completeness of follow-up is observed over potential time {cite('clark2002')}."


def _sensitivity_words(series: CaseSeries, pointers: Pointers) -> str:
    results = series.run.results
    ran = set(results.loc[results["group_by"] == "sensitivity", "group"])
    parts = [words for variant, words in SENSITIVITY.items() if variant in ran and variant != MAIN]
    if pointers.find("series_sensitivity"):
        tolerances = ", ".join(f"{one:g}" for one in series.plan.tolerances_mm)
        cortices = ", ".join(str(one) for one in series.plan.union_cortices)
        parts += [
            "other rules of union and tolerance, as the plan sets them (cortices bridged: "
            f"{cortices}; tolerance in mm: {tolerances})",
            "worst and best cases for what is missing",
        ]
    if not parts:
        return "No sensitivity analysis was run."
    see = pointers.see("series_sensitivity", "walking_definitions")
    return f"The main results were repeated under other definitions{see}: {'; '.join(parts)}."


def _software_words(made: MadeWith) -> str:
    libraries = ", ".join(
        f"{name} {made.packages[name]}" for name in SOFTWARE if made.packages.get(name)
    )
    kit = f"the department's audit kit, version {made.version}" if made.version else (
        "the department's audit kit"
    )  # fmt: skip
    return f"Analyses were run with {kit}, in Python {made.python} with {libraries}."


def cleaning_text(series: CaseSeries, pointers: Pointers) -> list[Paragraph]:
    """What was changed by itself on reading, and how many values were questioned or set aside."""
    cohort = series.run.cohort if series.whole is None else series.whole.cohort
    changed = int(cohort.cleaning["cells"].sum()) if len(cohort.cleaning) else 0
    kinds = cohort.cleaning["change"].nunique() if len(cohort.cleaning) else 0
    errors = int((cohort.queries["severity"] == "error").sum())
    asked = len(cohort.queries) - errors
    automatic = (
        f"{changed} cells were changed on reading by {kinds} fixed rules, which the cleaning log "
        "lists"
        if changed
        else "no cell was changed on reading"
    )
    text = (
        f"Every value was held against rules of type, range and order in time: {automatic}; "
        f"{errors} values broke a rule and were left out of use, {asked} were questioned and kept. "
        f"Rows that could not be used: {len(cohort.kept_out)}"
        f"{pointers.see('series_cleaning', 'data_queries')}."
    )
    return [Paragraph((text,))]
