"""Tables of times show the interval that allows for several cases of one patient."""

from __future__ import annotations

import pytest

from audit import wording
from audit.results.rows import FEWEST_CLUSTERS, estimate_of
from audit.tables.measures import counts_of, rows_of, time_summary_table
from audit.tables.shown import group_words


@pytest.mark.parametrize("group_by", ["all", "device_class", "device_class+segment"])
def test_the_limits_by_case_are_those_over_patients(demo_run, group_by):
    table = time_summary_table(demo_run, "time_to_union")
    shown = table.frame.set_index("Group")["Median days (95% CI)"]
    rows = rows_of(demo_run, "time_to_union", "all", group_by)
    used = set()
    for group, part in rows.groupby("group"):
        patients, cases = counts_of(demo_run, "all", group_by, str(group))
        several = FEWEST_CLUSTERS <= patients < cases
        statistic = "median_time_clustered" if several else "median_time"
        row = part.loc[part["statistic"] == statistic].iloc[0]
        assert shown[group_words(group_by, str(group))] == wording.with_interval(estimate_of(row))
        used.add(statistic)
    assert "median_time_clustered" in used
    assert any("several" in note or "more than one case" in note for note in table.notes)


def test_a_walking_episode_is_one_row_of_one_patient(demo_run):
    table = time_summary_table(demo_run, "time_to_full_weight_bearing")
    row = rows_of(demo_run, "time_to_full_weight_bearing", "all", "all")
    median = row.loc[row["statistic"] == "median_time"].iloc[0]
    assert table.frame.iloc[0, 3] == wording.with_interval(estimate_of(median))
    assert not any("more than one case" in note for note in table.notes)
