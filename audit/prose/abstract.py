"""A structured abstract: the facts of the study and its main numbers, the rest for the author."""

from __future__ import annotations

from audit.document import Paragraph
from audit.prose.facts import counts_of_series, period_words
from audit.prose.numbers import Numbers, joined, number, share
from audit.prose.study_text import asked_for, design_sentence, own_words


def abstract(numbers: Numbers) -> list[Paragraph]:
    """Background, methods, results and conclusion; every estimate is that of the results."""
    series = numbers.series
    study = series.plan.study
    found = [asked_for("background of the abstract")]
    if study.objective.strip():
        found.append(Paragraph((f"Aim: {own_words(study.objective)}",)))
    found += [
        Paragraph((f"Methods: {_methods(numbers)}",)),
        _results(numbers),
        asked_for("conclusion of the abstract, no wider than the results"),
    ]
    return found


def _methods(numbers: Numbers) -> str:
    study = numbers.series.plan.study
    counts = counts_of_series(numbers.series)
    parts = [
        design_sentence(study),
        f"{counts.cases} cases ({counts.limbs} limbs, {counts.patients} patients) were operated "
        f"{period_words(numbers.series)}.",
        f"Setting: {own_words(study.setting)}" if study.setting.strip() else "",
        f"Data: {own_words(study.data_source)}" if study.data_source.strip() else "",
        f"Linkage: {own_words(study.linkage)}" if study.linkage.strip() else "",
    ]
    return " ".join(part for part in parts if part)


def _results(numbers: Numbers) -> Paragraph:
    tolerance = numbers.run.cohort.settings.tolerance_mm
    pieces = joined(
        "Results: values stand with confidence intervals (CI). Achieved minus planned gain: ",
        number(numbers.row("gain_agreement_mm", "bias")),
        f" on average; within {tolerance:g} mm of the plan: ",
        share(numbers.row("gain_within_tolerance", "proportion"), "cases"),
        ". Median time to union, waiting cases kept: ",
        number(numbers.row("time_to_union", "median_time")),
        "; to full weight bearing: ",
        number(numbers.row("time_to_full_weight_bearing", "median_time")),
        ". A complication was seen in ",
        share(numbers.row("cases_with_complication", "proportion"), "cases"),
        ".",
    )
    return Paragraph(tuple(pieces))
