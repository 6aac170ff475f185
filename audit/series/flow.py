"""The whole way from the rows of the source to the series, for the flow table and diagram."""

from __future__ import annotations

import pandas as pd

from audit.measures.weight_bearing import number_episodes
from audit.series.case_series import NOT_RECORDED, SELECTED, START, CaseSeries
from audit.series.follow_up import last_seen
from schemas import vocabulary

MAIN, OUT, END = "main", "out", "end"
COLUMNS = ["place", "step", "words", "ground", "cases", "limbs", "patients", "on_outcome"]
#: steps of the cohort before selection: words and ground
_BEFORE = {
    "not_there_yet": ("not there yet", "design"),
    "kept_out": ("row out of use", "data"),
    "other_centre": ("another centre", "design"),
}


def whole_flow(series: CaseSeries) -> pd.DataFrame:
    """Every step from rows read to what had become of the selected cases: columns `COLUMNS`.

    place: `main` (what is there at this point), `out` (left out before the next `main` row) or
    `end` (of the selected cases, by outcome at the cut-off; they add up to the last `main` row in
    cases). Cases, limbs and patients of a `main` row less those of the `out` rows below it are
    those of the next `main` row; before the cohort limbs and patients left out are not counted
    (missing), because a row out of use may lack what tells them.
    """
    run = series.run if series.whole is None else series.whole
    flow = run.cohort.flow
    read = flow.iloc[0]
    rows = [_row(MAIN, "read", "rows of the cases table", (read["cases"], None, read["patients"]))]
    for _, line in flow.loc[flow["step"].isin(_BEFORE)].iterrows():
        words, ground = _BEFORE[line["step"]]
        reason = str(line["reason"]).replace("_", " ")
        text = words if line["step"] == "other_centre" else f"{words}: {reason}"
        rows.append(_row(OUT, line["step"], text, (line["cases"], None, None), ground=ground))
    for _, line in series.flow.iterrows():
        place = MAIN if line["step"] in (START, SELECTED) else OUT
        counts = (line["cases"], line["limbs"], line["patients"])
        row = _row(place, line["step"], _left_out_words(line), counts, ground=line["ground"])
        rows.append(row | {"on_outcome": line["on_outcome"]})
    for _, line in last_seen(series).iterrows():
        counts = (line["cases"], line["limbs"], line["patients"])
        words = vocabulary.label("outcome_status", line["outcome_status"]).lower()
        rows.append(_row(END, line["outcome_status"], words, counts))
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"cases": int, "limbs": float, "patients": float})


def _left_out_words(line: pd.Series) -> str:
    """Words of a row of `series.flow`, said of those left out: an `include` rule leaves out the
    cases that do not meet it."""
    if line["step"] == NOT_RECORDED:
        return str(line["words"])
    return f"not met: {line['words']}" if line["kind"] == "include" else str(line["words"])


def parted_episodes(series: CaseSeries) -> int:
    """Patients of whom one bone is in the series and another of the same walking episode is not.

    Their time to full weight bearing is that of the selected bones alone.
    """
    if series.whole is None:
        return 0
    cases = series.whole.cohort.cases
    gap_days = series.whole.cohort.settings.episode_gap_days
    inside = cases["case_id"].isin(series.cases["case_id"])
    each = inside.groupby(number_episodes(cases, gap_days))
    mixed = each.transform("any") & ~each.transform("all")
    return int(cases.loc[mixed & inside, "patient_id"].nunique())


def _row(
    place: str, step: str, words: str, counts: tuple[object, ...], *, ground: str = ""
) -> dict[str, object]:
    cases, limbs, patients = counts
    return {
        "place": place,
        "step": step,
        "words": words,
        "ground": ground,
        "cases": cases,
        "limbs": limbs,
        "patients": patients,
        "on_outcome": False,
    }
