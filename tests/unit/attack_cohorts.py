"""Random small services and their summary tables, and released tables written by hand."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd

from audit.disclosure.controlled import ControlledTable
from audit.summaries.table import ALL, COLUMNS, SummaryTable

NAN = float("nan")
ABOUT = {"title": "made up", "period": "2026", "population": "all operated cases"}
CODES = {
    "device_class": ["lengthening_nail", "circular_fixator", "monolateral_fixator"],
    "segment": ["femur", "tibia", "humerus"],
    "sex": ["female", "male"],
}


def random_cases(rng: np.random.Generator) -> pd.DataFrame:
    """Cases of patients who have one to three each; categories are unequally common."""
    patients = int(rng.integers(10, 90))
    persons = np.repeat(np.arange(patients), rng.choice([1, 2, 3], patients, p=[0.7, 0.2, 0.1]))
    cases = pd.DataFrame({"person": persons})
    cases["sex"] = rng.choice(CODES["sex"], patients)[persons]
    for name in ("device_class", "segment"):
        weights = rng.dirichlet(np.full(3, rng.choice([0.4, 1.0, 3.0])))
        cases[name] = rng.choice(CODES[name], len(cases), p=weights)
    cases["within"] = rng.random(len(cases)) < rng.uniform(0.05, 0.95)
    cases["events"] = rng.poisson(0.4, len(cases))
    cases["gain"] = rng.normal(45, 12, len(cases)).round(1)
    return cases


#: name -> how a table is made of cases
TABLES = {
    "by-device": lambda cases: counted(cases, ("device_class",), name="by-device"),
    "by-both": lambda cases: counted(cases, ("device_class", "segment"), name="by-both"),
    "by-segment": lambda cases: counted(cases, ("segment",), name="by-segment"),
    "by-sex": lambda cases: counted(
        cases.drop_duplicates("person"), ("sex",), name="by-sex", words="patients"
    ),
    "shares": lambda cases: shares(cases, "device_class"),
    "events": lambda cases: events(cases, "device_class"),
    "means": lambda cases: means(cases, "device_class"),
}


def random_release(rng: np.random.Generator, *, cohorts: int, tables: int) -> list[SummaryTable]:
    """Some tables of each of so many services, which have no patient in common."""
    found = []
    for number in range(cohorts):
        cases = random_cases(rng)
        for name in rng.choice(list(TABLES), tables, replace=False):
            made = TABLES[name](cases)
            about = {"name": f"{name}-{number}", "population": f"service {number}"}
            found.append(dataclasses.replace(made, **about))
    return found


def cells(units: pd.DataFrame, names: tuple[str, ...]):
    """(categories, the units in them) for every cell, those over all included."""
    for words in itertools.product(*([ALL, *CODES[name]] for name in names)):
        inside = pd.Series(True, index=units.index)
        for name, word in zip(names, words, strict=True):
            inside &= (units[name] == word) | (word == ALL)
        yield dict(zip(names, words, strict=True)), units[inside]


def summary(names, rows, *, name, units, additive) -> SummaryTable:
    frame = pd.DataFrame(rows, columns=[*names, *COLUMNS])
    numbers = [one for one in COLUMNS if one not in ("statistic", "unit", "method")]
    return SummaryTable(
        name=name, counted=units, dimensions=names, additive=additive,
        frame=frame.astype(dict.fromkeys(numbers, float)), **ABOUT,
    )  # fmt: skip


def row(key, statistic, unit, some, every, value, low=None, high=None):
    """some: the persons of the units with the attribute (None for averages); every: of all."""
    return {
        **key, "statistic": statistic, "unit": unit,
        "numerator": None if some is None else len(some), "denominator": len(every),
        "people_with": None if some is None else some.nunique(), "people": every.nunique(),
        "value": value, "low": low, "high": high, "method": "",
    }  # fmt: skip


def counted(units, names, *, name, words="cases") -> SummaryTable:
    rows = []
    for key, inside in cells(units, names):
        rows.append(row(key, "count", words, inside["person"], units["person"], len(inside)))
        share = len(inside) / len(units)
        rows.append(row(key, "share", "share", inside["person"], units["person"], share))
    return summary(names, rows, name=name, units=words, additive=names)


def shares(cases, name) -> SummaryTable:
    rows = []
    for key, inside in cells(cases, (name,)):
        key = {"measure": "within", **key}
        some, every = inside.loc[inside["within"], "person"], inside["person"]
        value = len(some) / len(every) if len(every) else None
        limits = (max(value - 0.1, 0), min(value + 0.1, 1)) if len(every) else (None, None)
        rows.append(row(key, "count", "cases", some, every, len(some)))
        rows.append(row(key, "share", "share", some, every, value, *limits))
    return summary(("measure", name), rows, name="shares", units="cases", additive=(name,))


def events(cases, name) -> SummaryTable:
    rows = []
    for key, inside in cells(cases, (name,)):
        every = inside["person"]
        some = every.repeat(inside["events"])
        value = 100 * len(some) / len(every) if len(every) else None
        rows.append(row(key, "count", "events", some, every, len(some)))
        rows.append(row(key, "rate", "events per 100 cases", some, every, value))
    return summary((name,), rows, name="events", units="events", additive=(name,))


def means(cases, name) -> SummaryTable:
    rows = []
    for key, inside in cells(cases, (name,)):
        key = {"measure": "gain", **key}
        every, values = inside["person"], inside["gain"]
        rows.append(row(key, "count", "cases", every, every, len(every)))
        for statistic in ("mean", "sd", "median"):
            value = getattr(values, statistic.replace("sd", "std"))()
            rows.append(row(key, statistic, "mm", None, every, value))
    return summary(("measure", name), rows, name="means", units="cases", additive=(name,))


def written(
    name: str, names: tuple[str, ...], counts: dict, *, additive=None, units="patients", reason=""
) -> ControlledTable:
    """A released table of counts by hand: categories -> number, NaN is hidden. The exact table is
    not there, as for somebody who has only the released one."""
    rows = [
        {
            **dict(zip(names, key if isinstance(key, tuple) else (key,), strict=True)),
            "statistic": "count", "unit": units, "numerator": number, "denominator": NAN,
            "value": number, "low": NAN, "high": NAN,
            "marker": "[c]" if number != number else "", "reason": reason if number != number else "",
        }
        for key, number in counts.items()
    ]  # fmt: skip
    facts = SummaryTable(
        name=name, counted=units, dimensions=names, frame=pd.DataFrame(columns=[*names, *COLUMNS]),
        additive=names if additive is None else additive, **ABOUT,
    )  # fmt: skip
    return ControlledTable(facts, "external", pd.DataFrame(rows))


def two_way(inside: list[list[float]], hidden: set[tuple[int, int]]) -> ControlledTable:
    """Rows r0, r1 ... and columns c0, c1 ... with their totals; hidden: (row, column), -1 = all."""
    counts = np.array(inside, dtype=float)
    whole = np.vstack([counts, counts.sum(axis=0)])
    whole = np.hstack([whole, whole.sum(axis=1, keepdims=True)])
    for at in hidden:
        whole[at] = NAN
    rows = [*(f"r{at}" for at in range(len(counts))), ALL]
    columns = [*(f"c{at}" for at in range(counts.shape[1])), ALL]
    found = {(a, b): float(whole[i, j]) for i, a in enumerate(rows) for j, b in enumerate(columns)}
    return written("two-way", ("row", "column"), found)
