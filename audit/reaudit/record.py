"""What a run keeps of every case, so that a later re-audit can tell late data from changed code.

No value is copied that the other files of the run do not hold in some form: the facts of a case
stand as a digest for each table, enough to see that something was entered or corrected since.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping

import pandas as pd

from audit.cohort import Cohort
from audit.criteria import INDEX_DATES
from audit.intake import Tables
from audit.intake.queries import as_text
from audit.results.catalogue import TIMES
from audit.results.times import time_table
from audit.wind_back import wind_back
from schemas import TABLES

FACTS = "facts_"
#: what criteria choose cases by and the measures do not hold
PLAIN = ("age_at_surgery_years", *(day for day in INDEX_DATES if day != "surgery_date"))
TIME_COLUMNS = ("duration", "observed", "entry", "reason")
_DIGEST_LETTERS = 16


def case_record(cohort: Cohort, tables: Tables) -> pd.DataFrame:
    """One row a case of the source (of the cohort's centre) at the cut-off, in order of case_id,
    used or kept out.

    Columns: case_id, patient_id; `PLAIN` as the criteria use them; `<time>_<column>` for every
    time to an event that is counted by case; `facts_<table>`: a digest of what each table says of
    the case (and of its patient) up to the cut-off, before anything is judged. All but the ids and
    digests are missing for a case that is out of use. Rows of one table may stand in any order,
    and a column without a value does not count, so that a new, empty one changes no digest.
    """
    frames = wind_back(tables.frames, cohort.cutoff).frames
    if cohort.centre is not None:
        mine = frames["cases"]["centre"] == cohort.centre
        frames = {**frames, "cases": frames["cases"].loc[mine]}
    digests = fact_digests(frames)
    rows = digests.index
    owners = frames["cases"].drop_duplicates("case_id").set_index("case_id")["patient_id"]
    plain = cohort.cases.set_index("case_id")[list(PLAIN)]
    parts = [owners, plain, _times(cohort), digests]
    return pd.concat([part.reindex(rows) for part in parts], axis=1).reset_index()


def _times(cohort: Cohort) -> pd.DataFrame:
    parts = []
    for name, (_, _, each) in TIMES.items():
        if each == "case":
            table = time_table(cohort, name).set_index("case_id")
            chosen = table[list(TIME_COLUMNS)].astype({"observed": "boolean"})
            parts.append(chosen.rename(columns={one: f"{name}_{one}" for one in TIME_COLUMNS}))
    return pd.concat(parts, axis=1)


def fact_digests(frames: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """`facts_<table>` for every case (index: case_id) and every contract table that speaks of
    cases or patients; empty text where the table holds nothing of the case."""
    cases = frames["cases"].dropna(subset=["case_id"])
    columns = {}
    for table, frame in frames.items():
        if "case_id" in frame:
            columns[f"{FACTS}{table}"] = _digests(_lines(table, frame), frame["case_id"])
    known = _digests(_lines("patients", frames["patients"]), frames["patients"]["patient_id"])
    patient = cases.drop_duplicates("case_id").set_index("case_id")["patient_id"]
    columns[f"{FACTS}patients"] = patient.map(known).astype(object)
    index = pd.Index(sorted(set(cases["case_id"])), name="case_id")
    return pd.DataFrame({name: column.reindex(index) for name, column in columns.items()}).fillna(
        ""
    )


def _lines(table: str, frame: pd.DataFrame) -> pd.Series:
    """Every row as one text: the filled contract columns with their names."""
    lines = pd.Series("", index=frame.index, dtype=object)
    for name in TABLES[table].columns:
        if name in frame:
            texts = as_text(frame[name])
            lines = lines + (f"{name}=" + texts + "\n").where(texts != "", "")
    return lines


def _digests(lines: pd.Series, owner: pd.Series) -> pd.Series:
    """owner -> digest of its lines, whatever their order."""
    return lines.groupby(owner).agg(
        lambda texts: hashlib.sha256("\0".join(sorted(texts)).encode()).hexdigest()[
            :_DIGEST_LETTERS
        ]
    )
