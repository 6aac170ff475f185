"""Result rows of one device class on a set of bones, for values that are known of a set only."""

from __future__ import annotations

from collections.abc import Collection

import pandas as pd

from audit.cohort import Cohort
from audit.measures.weight_bearing import number_episodes
from audit.results.catalogue import BY_NAME, TIMES
from audit.results.groups import ALL, Slice
from audit.results.rows import result_frame
from audit.results.summaries import complication_rows, measure_rows
from audit.results.times import time_rows, time_table
from schemas import vocabulary
from schemas.vocabulary import WALKING_SEGMENTS

#: `group_by` of these rows, which results.csv does not hold
GROUP_BY = "device_class+segments"
EPISODES = "walking episode"


def bone_set_rows(
    cohort: Cohort,
    measured: pd.DataFrame,
    measure: str,
    *,
    device_class: str,
    bones: Collection[str],
) -> pd.DataFrame:
    """The rows of one measure over the whole time, in the columns of results.csv.

    measured: from `measure_cases(cohort)`. measure: a name of results.csv that is given by device
    class and segment. The functions that make results.csv make these rows, from the cases of the
    class on any of the bones; a case without a recorded bone is not among them. A walking episode
    counts where its device class is this one and all its bones are of the set. group: the codes
    joined by "+", bones in the order of the code list. ValueError for a measure of which no such
    rows are made.
    """
    group = "+".join([device_class, *(b for b in vocabulary.codes("segment") if b in bones)])
    table = measured if measure not in TIMES else time_table(cohort, measure)
    inside = (table["device_class"] == device_class) & _on(table, cohort, measure, bones)
    part = Slice(ALL, GROUP_BY, group, table.loc[inside.fillna(False).astype(bool)])
    if measure in TIMES:
        rows = time_rows(measure, part, cohort.settings)
    elif measure in BY_NAME:
        rows = measure_rows(part, cohort.settings, (BY_NAME[measure],))
    else:
        rows = complication_rows(part, cohort.settings)
    mine = [row for row in rows if row["measure"] == measure]
    if not mine:
        raise ValueError(f"no rows by device class and bones are made of {measure!r}")
    return result_frame(mine)


def _on(table: pd.DataFrame, cohort: Cohort, measure: str, bones: Collection[str]) -> pd.Series:
    """True where a row of the table lies on bones of the set only."""
    if measure not in TIMES or TIMES[measure][2] != EPISODES:
        return table["segment"].isin(list(bones))
    walked = cohort.cases.loc[cohort.cases["segment"].isin(WALKING_SEGMENTS)]
    episode = number_episodes(walked, cohort.settings.episode_gap_days)
    outside = walked.assign(outside=~walked["segment"].isin(list(bones)))
    return ~table["episode"].map(outside.groupby(episode)["outside"].any()).astype(bool)
