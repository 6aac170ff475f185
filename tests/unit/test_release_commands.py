"""The commands around releases, as they are typed."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from audit.commands import main
from tests.conftest import DEMO


@pytest.fixture(scope="module")
def pooled(tmp_path_factory):
    """Two centres apart, pooled; and the same cases in one run."""
    home = tmp_path_factory.mktemp("pooled")
    for centre in ("north", "south"):
        done = main(
            ["aggregate", str(DEMO), str(home / centre), "--quarter", "2026Q3", "--centre", centre]
        )
        assert done == 1  # the demo data have queries
    assert main(["pool", str(home / "all"), str(home / "north"), str(home / "south")]) == 0
    return home


def test_pooled_results_are_those_of_all_patients(pooled, demo_run):
    """Means, shares and rates of the two centres together equal the patient-level answer."""
    keys = ["measure", "statistic", "window", "group_by", "group"]
    found = pd.read_csv(pooled / "all" / "results.csv").set_index(keys)
    whole = demo_run.results.assign(window=demo_run.results["window"].astype(str)).set_index(keys)
    compared = 0
    for statistic in ("mean", "proportion", "rate"):
        mine = found.loc[found.index.get_level_values("statistic") == statistic, "value"].dropna()
        for key, value in mine.items():
            if key[3] == "all":
                assert whole.loc[[key], "value"].iloc[0] == pytest.approx(value, abs=1e-9)
                compared += 1
    assert compared >= 15


def test_the_record_names_centres_and_the_funnel_has_exact_limits(pooled):
    record = json.loads((pooled / "all" / "run.json").read_text(encoding="utf-8"))
    assert [one["centres"] for one in record["pooled"]] == [["north"], ["south"]]
    funnels = pd.read_csv(pooled / "all" / "funnels.csv")
    assert {"north", "south"} == set(funnels["unit"])
    shown = funnels.dropna(subset=["events"])
    assert (shown["low_998"] <= shown["low_95"]).all()
    assert (shown["high_95"] <= shown["high_998"]).all()
    assert (shown["events"] <= shown["size"]).all()


def test_a_centre_twice_is_refused(pooled, tmp_path, capsys):
    again = [str(pooled / "north"), str(pooled / "north")]
    assert main(["pool", str(tmp_path / "all"), *again]) == 2
    assert "north" in capsys.readouterr().err
    assert not (tmp_path / "all").exists()


def test_no_patient_stands_in_an_aggregate(pooled, demo_run):
    names = set(demo_run.cohort.cases["case_id"]) | set(demo_run.cohort.cases["patient_id"])
    for path in (pooled / "north").iterdir():
        cells = set(path.read_text(encoding="utf-8").replace("\n", ",").split(","))
        assert not cells & names, path.name


def test_what_is_no_release_does_not_pass(tmp_path, capsys):
    assert main(["verify", str(tmp_path)]) == 2
    assert "no release" in capsys.readouterr().out


def test_a_centre_can_hand_over_only_what_controlled_tables_tell(pooled, tmp_path):
    """A pooled answer from controlled tables is a range that holds the exact one."""
    typed = ["--quarter", "2026Q3", "--centre", "south", "--external"]
    assert main(["aggregate", str(DEMO), str(tmp_path / "south"), *typed]) == 1
    assert (tmp_path / "south" / "aggregate-external.json").is_file()
    folders = [str(pooled / "north"), str(tmp_path / "south")]
    assert main(["pool", str(tmp_path / "all"), *folders]) == 0
    keys = ["measure", "statistic", "window", "group_by", "group"]
    ranges = pd.read_csv(tmp_path / "all" / "results.csv").set_index(keys)
    exact = pd.read_csv(pooled / "all" / "results.csv").set_index(keys)["value"]
    both = ranges.join(exact.rename("exact"), how="inner").dropna(subset=["low", "high", "exact"])
    both = both.loc[both["note"].fillna("").str.contains(r"\[c\]")]
    assert len(both) >= 15
    assert ((both["low"] <= both["exact"] + 1e-9) & (both["exact"] <= both["high"] + 1e-9)).all()
