"""From the entries of a plan to a `SeriesPlan`: every entry is checked, and the message says where.

A message names the file, the line where it is known, the field, the rule and what to write instead.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from typing import Any

from audit.criteria import MEASURES
from audit.plan.facts import BASELINE
from audit.plan.place import LineOf, Place
from audit.plan.rules import rules_from
from audit.plan.series_plan import RegressionPlan, SeriesPlan
from audit.plan.study import CHOICES, FIELD_WORDS, StudyFields

TOP_LEVEL = ("version", "dated", "study", "rule", "tables", "sensitivity", "regression")
#: groups that the results are given for; all are known at surgery, as a group must be
GROUPS = ("device_class", "segment", "device_class+segment")
#: what a regression may explain: a number or a share of each case, or a time to an event by case
OUTCOMES = tuple(
    name
    for name, statistics in MEASURES.items()
    if not name.endswith("_per_100_cases") and name != "time_to_full_weight_bearing"
)
DEFAULTS: dict[str, dict[str, Any]] = {
    "tables": {
        "group_by": "device_class",
        "split_by": "device_class+segment",
        "table_one": [
            "age_at_surgery_years",
            "sex",
            "aetiology",
            "segment",
            "side",
            "physes_open",
            "segment_length_before_mm",
            "discrepancy_before_mm",
            "planned_gain_mm",
            "knee_flexion_baseline_deg",
            "earlier_cases",
            "taken_over",
        ],
    },
    "sensitivity": {"tolerances_mm": [3, 5, 10], "union_cortices": [2, 3, 4]},
    "regression": {"outcome": "", "covariates": [], "minimum_per_variable": 10},
}


def plan_from(
    entries: Mapping[str, Any], *, name: str, content: bytes = b"", line_of: LineOf | None = None
) -> SeriesPlan:
    """The plan that a file called `name` holds.

    line_of: the line of an entry, for messages. Raises UnusableInput with the file, the line, the
    field and the rule for the first entry that is unknown or wrong. What is left out takes the
    value in `DEFAULTS`.
    """
    place = Place(name, line_of or (lambda path: None))
    place.only_known((), entries, TOP_LEVEL)
    tables = _table(entries, "tables", place)
    sensitivity = _table(entries, "sensitivity", place)
    return SeriesPlan(
        study=_study(entries, place),
        rules=rules_from(entries.get("rule", []), place),
        group_by=place.one_of(("tables", "group_by"), tables["group_by"], GROUPS),
        split_by=place.one_of(("tables", "split_by"), tables["split_by"], GROUPS),
        table_one=place.names(("tables", "table_one"), tables["table_one"], BASELINE),
        tolerances_mm=_tolerances(sensitivity["tolerances_mm"], place),
        union_cortices=_cortices(sensitivity["union_cortices"], place),
        regression=_regression(_table(entries, "regression", place), place),
        version=_text(entries, "version", place),
        dated=_text(entries, "dated", place),
        name=name,
        content=content,
    )


def _table(entries: Mapping[str, Any], key: str, place: Place) -> dict[str, Any]:
    given = entries.get(key, {})
    if not isinstance(given, Mapping):
        place.refuse((key,), f"must be a table: write [{key}].")
    place.only_known((key,), given, tuple(DEFAULTS[key]))
    return {**DEFAULTS[key], **given}


def _study(entries: Mapping[str, Any], place: Place) -> StudyFields:
    given = entries.get("study", {})
    if not isinstance(given, Mapping):
        place.refuse(("study",), "must be a table: write [study].")
    place.only_known(("study",), given, tuple(FIELD_WORDS))
    for key, text in given.items():
        if not isinstance(text, str):
            place.refuse(("study", key), f"must be a text in quotes: {FIELD_WORDS[key]}.")
        if key in CHOICES and text:
            place.one_of(("study", key), text, tuple(CHOICES[key]))
    return StudyFields(**{key: " ".join(text.split()) for key, text in given.items()})


def _text(entries: Mapping[str, Any], key: str, place: Place) -> str:
    given = entries.get(key, "")
    if isinstance(given, datetime.date):
        return given.isoformat()
    if not isinstance(given, str):
        place.refuse((key,), f'must be a text, for example {key} = "2026-11-25".')
    return given.strip()


def _tolerances(given: Any, place: Place) -> tuple[float, ...]:
    path = ("sensitivity", "tolerances_mm")
    if not isinstance(given, list) or not given:
        place.refuse(path, "must be a list of millimetres, for example [3, 5, 10].")
    for one in given:
        number = isinstance(one, int | float) and not isinstance(one, bool)
        if not number or not math.isfinite(one) or one <= 0:
            place.refuse(path, f"each must be a number above 0, without quotes; got {one!r}.")
    return tuple(sorted({float(one) for one in given}))


def _cortices(given: Any, place: Place) -> tuple[int, ...]:
    path = ("sensitivity", "union_cortices")
    if not isinstance(given, list) or not given:
        place.refuse(path, "must be a list of cortices bridged, for example [2, 3, 4].")
    for one in given:
        if isinstance(one, bool) or not isinstance(one, int) or not 1 <= one <= 4:
            place.refuse(path, f"each must be a whole number from 1 to 4; got {one!r}.")
    return tuple(sorted(set(given)))


def _regression(given: Mapping[str, Any], place: Place) -> RegressionPlan:
    outcome = given["outcome"]
    if outcome != "":
        place.one_of(("regression", "outcome"), outcome, OUTCOMES)
    covariates = place.names(("regression", "covariates"), given["covariates"], BASELINE)
    if bool(outcome) != bool(covariates):
        missing = "covariates" if outcome else "outcome"
        place.refuse(("regression", missing), "outcome and covariates go together: fill in both.")
    most = given["minimum_per_variable"]
    if isinstance(most, bool) or not isinstance(most, int) or most < 1:
        place.refuse(
            ("regression", "minimum_per_variable"),
            "must be a whole number, 1 or more; 10 is usual.",
        )
    return RegressionPlan(outcome=outcome, covariates=covariates, minimum_per_variable=most)
