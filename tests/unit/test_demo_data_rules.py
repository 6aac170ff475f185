"""The demonstration tables hold what a real service has, and nothing impossible.

The rules are those that can be read off dates, lengths and states alone (order of dates, latency
0-60 days, distraction at most 400 days, gain within the stroke, cortices that never fall, at most
3 mm a day): local choices and common practice, no published source, unless said beside the check.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path

import pandas as pd
import pytest

import demo_data
from demo_data.generator import TRUE, write
from schemas import vocabulary

ROOT = Path(demo_data.__file__).parent.parent
FOLDER = ROOT / "demo_data" / "tables"
DAY_COLUMNS = {
    "radiographs": "taken_on",
    "joint_motion": "examined_on",
    "weight_bearing": "assessed_on",
    "complications": "occurred_on",
    "distraction_sessions": "started_at",
}
LOAD = {"none": 0, "toe_touch": 1, "partial": 2, "full": 3}
AID = {"wheelchair": 0, "two_crutches": 1, "one_crutch": 2, "cane": 3, "none": 4}
READ_ON = pd.Timestamp("2026-10-31")


def read(name: str) -> pd.DataFrame:
    """One committed table; empty is missing, and the word "none" is a code."""
    table = pd.read_csv(FOLDER / f"{name}.csv", keep_default_na=False, na_values=[""])
    for column in table.columns:
        if column.endswith(("_date", "_on")) or column == "started_at":
            table[column] = pd.to_datetime(table[column])
    return table


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    return {name: read(name) for name in write.COLUMNS}


@pytest.fixture(scope="module")
def cases(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Cases with the measures of the contract that the tests need."""
    found = tables["cases"].set_index("case_id", drop=False)
    events = tables["complications"].groupby("case_id").size()
    found["events"] = events.reindex(found.index, fill_value=0)
    found["healing_index"] = days(found, "union_date", "surgery_date") / (
        found["achieved_gain_mm"] / 10
    )
    found["distraction_days"] = days(found, "distraction_end_date", "distraction_start_date")
    return found


def days(table: pd.DataFrame, later: str, earlier: str) -> pd.Series:
    return (table[later] - table[earlier]).dt.days


# --- what a real service has --------------------------------------------------------------------


def test_each_special_situation_is_there(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    status = cases["outcome_status"].value_counts()
    assert status["amputated"] == 1
    assert status["died"] == 1
    assert status["in_treatment"] >= 15
    assert status["lost_to_follow_up"] >= 5
    assert status["device_exchanged"] >= 2
    assert status["stopped_early"] >= 4
    gone = cases["outcome_status"].isin(["died", "amputated"])
    assert cases.loc[gone, "full_weight_bearing_date"].isna().all()
    assert (cases["arrival_date"] > cases["surgery_date"]).sum() >= 3
    assert (cases["achieved_gain_mm"] < 10).sum() >= 2
    assert (cases["achieved_gain_mm"] - cases["planned_gain_mm"] > 5).sum() >= 3
    lost = cases["achieved_gain_mm"] - cases["final_gain_mm"]
    assert (lost > 5).sum() >= 3
    assert (cases["planned_gain_mm"] == 38).sum() >= 5
    assert cases["planned_gain_mm"].between(20, 80).all()
    assert set(cases["device_stroke_mm"].dropna()) == {50, 80}
    actions = tables["actions"]
    assert 8 <= len(actions) <= 12
    register = tomllib.loads((ROOT / "audit" / "standards_default.toml").read_text("utf-8"))
    known = {criterion["id"] for criterion in register["criterion"]}
    assert actions["criterion"].isin(known).sum() >= 6
    open_ones = actions[actions["closed_on"].isna()]
    assert (open_ones["due_on"] <= READ_ON).sum() == 1


def test_patients_with_several_cases(cases: pd.DataFrame) -> None:
    kinds = {"simultaneous": 0, "one limb": 0, "other side later": 0, "same bone later": 0}
    for _, found in cases.groupby("patient_id"):
        if len(found) == 1:
            continue
        found = found.sort_values("surgery_date")
        gap = (found["surgery_date"].iloc[1] - found["surgery_date"].iloc[0]).days
        if found["side"].nunique() == 2:
            kinds["simultaneous" if gap <= 30 else "other side later"] += 1
        elif found["segment"].nunique() == 2:
            kinds["one limb"] += 1
        else:
            kinds["same bone later"] += 1
            assert found["union_date"].iloc[0] < found["surgery_date"].iloc[1]
            assert found["last_follow_up_date"].iloc[0] < found["surgery_date"].iloc[1]
    assert min(kinds.values()) >= 4, kinds


# --- nothing impossible: hard rules of dates, lengths and states ---------------------------------


def test_case_dates_are_in_order(cases: pd.DataFrame) -> None:
    assert days(cases, "distraction_start_date", "surgery_date").dropna().between(0, 60).all()
    assert cases["distraction_days"].dropna().between(1, 400).all()
    for later, earlier in (
        ("union_date", "distraction_end_date"),
        ("fixator_removal_date", "distraction_end_date"),
        ("full_weight_bearing_date", "union_date"),
        ("device_removal_date", "union_date"),
    ):
        assert (days(cases, later, earlier).dropna() >= 0).all(), (later, earlier)
    for column in [name for name in cases.columns if name.endswith("_date")]:
        assert (cases["last_follow_up_date"] >= cases[column])[cases[column].notna()].all(), column
        assert cases[column].dropna().between(pd.Timestamp(TRUE.first_day), READ_ON).all(), column
    finished = cases["outcome_status"] != "in_treatment"
    assert (cases["outcome_date"].notna() == finished).all()
    done = cases[cases["outcome_status"] == "completed"]
    walking = done["segment"].isin(vocabulary.WALKING_SEGMENTS)
    assert done["union_date"].notna().all()
    assert done.loc[walking, "full_weight_bearing_date"].notna().all()


def test_dated_rows_lie_inside_follow_up(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    for name, column in DAY_COLUMNS.items():
        table = tables[name]
        known = table["case_id"].map(cases["last_follow_up_date"])
        assert (table[column].dt.normalize() <= known).all(), name
        start = table["case_id"].map(cases["arrival_date"].fillna(cases["surgery_date"]))
        baseline = pd.Timedelta(days=180 if name == "joint_motion" else 0)
        assert (table[column] >= start - baseline).all(), name
        assert not table.drop(columns="complication_id", errors="ignore").duplicated().any(), name
    events = tables["complications"]
    resolved = events["resolved_on"].notna()
    assert (events["resolved_on"] >= events["occurred_on"])[resolved].all()
    last = events["case_id"].map(cases["last_follow_up_date"])
    assert (events["resolved_on"] <= last)[resolved].all()


def test_lengths_are_possible(cases: pd.DataFrame) -> None:
    assert (cases["achieved_gain_mm"] <= cases["device_stroke_mm"] + 3)[
        cases["device_stroke_mm"].notna() & cases["achieved_gain_mm"].notna()
    ].all()
    share = 100 * cases["achieved_gain_mm"] / cases["segment_length_before_mm"]
    assert share.dropna().between(-10, 200).all()
    assert (share > 25).mean() < 0.03
    index = cases.loc[cases["achieved_gain_mm"] >= 10, "healing_index"].dropna()
    assert index.between(10, 125).mean() > 0.97
    assert index.between(5, 400).all()


def test_films_agree_with_the_case(tables: dict[str, pd.DataFrame], cases: pd.DataFrame) -> None:
    films = tables["radiographs"]
    read_films = films.dropna(subset=["cortices_bridged"])
    assert read_films["cortices_bridged"].between(0, 4).all()
    assert (read_films.groupby("case_id")["cortices_bridged"].diff().dropna() >= 0).all()
    united = read_films[read_films["cortices_bridged"] >= 3].groupby("case_id")["taken_on"].min()
    assert united.sort_index().equals(cases["union_date"].dropna().sort_index().rename("taken_on"))
    last = films.groupby("case_id")["gain_mm"].last().reindex(cases.index)
    final = cases["final_gain_mm"].notna()
    assert (last == cases["final_gain_mm"])[final].all()
    seen = films.merge(cases[["distraction_end_date", "achieved_gain_mm"]], on="case_id")
    at_end = seen[(seen["taken_on"] - seen["distraction_end_date"]).dt.days.between(0, 4)]
    here = at_end["gain_mm"].notna()
    assert (at_end["gain_mm"] == at_end["achieved_gain_mm"])[here].all()
    assert here.sum() > 150


def test_load_only_grows_and_full_load_is_the_first_day_without_aids(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    rows = tables["weight_bearing"].assign(
        load_rank=lambda t: t["load"].map(LOAD), aid_rank=lambda t: t["aid"].map(AID)
    )
    for column in ("load_rank", "aid_rank"):
        steps = rows.dropna(subset=[column]).groupby("case_id")[column].diff().dropna()
        assert (steps >= 0).all()
    free = rows[(rows["load"] == "full") & (rows["aid"] == "none")]
    first = free.groupby("case_id")["assessed_on"].min()
    known = cases["full_weight_bearing_date"].dropna()
    known = known[known.index.isin(rows["case_id"])]
    assert first.sort_index().equals(known.sort_index().rename("assessed_on"))
    assert rows["case_id"].map(cases["segment"]).isin(vocabulary.WALKING_SEGMENTS).all()


def test_joint_motion_is_possible(tables: dict[str, pd.DataFrame]) -> None:
    rows = tables["joint_motion"].dropna(subset=["flexion_deg", "extension_deficit_deg"])
    assert (rows["flexion_deg"] > rows["extension_deficit_deg"]).all()
    assert not rows.duplicated(["case_id", "examined_on", "joint"]).any()


def test_sessions_add_up_to_the_film(tables: dict[str, pd.DataFrame], cases: pd.DataFrame) -> None:
    rows = tables["distraction_sessions"]
    daily = rows.groupby(["case_id", rows["started_at"].dt.date])["delivered_mm"]
    assert daily.sum().abs().max() <= 1.5
    assert daily.size().max() == TRUE.sessions_per_day
    assert set(rows["case_id"].map(cases["device_class"])) == {"lengthening_nail"}
    assert rows["started_at"].min() >= pd.Timestamp(TRUE.sessions_from)
    assert set(rows["delivered_mm"].abs()) == {0.33, 0.25}
    assert rows.loc[rows["delivered_mm"] < 0, "case_id"].nunique() >= 2
    net = rows.groupby("case_id")["delivered_mm"].sum()
    whole = cases.reindex(net.index)
    whole = whole[whole["achieved_gain_mm"].notna() & whole["arrival_date"].isna()]
    assert ((net[whole.index] - whole["achieved_gain_mm"]).abs() <= 3).all()
    assert len(whole) > 20


def test_complication_schemes_are_used_consistently(
    tables: dict[str, pd.DataFrame], cases: pd.DataFrame
) -> None:
    events = tables["complications"]
    assert (events["pin_site_grade"].notna() == events["pin_site_scheme"].notna()).all()
    pins = events[events["pin_site_grade"].notna()]
    removed = pins["case_id"].map(cases["fixator_removal_date"])
    assert not (pins["occurred_on"] > removed).any()
    missed = events.loc[events["severity_type"] == "IIIA", "case_id"]
    assert (cases["achieved_gain_mm"] < cases["planned_gain_mm"])[missed].all()
    with (FOLDER / "complications.csv").open(encoding="utf-8") as file:
        assert all(len(row["description"]) <= 60 for row in csv.DictReader(file))


def test_the_description_counts_the_rows_there_are(tables: dict[str, pd.DataFrame]) -> None:
    text = (ROOT / "demo_data" / "README.md").read_text(encoding="utf-8")
    for name, table in tables.items():
        row = next(line for line in text.splitlines() if f"`tables/{name}.csv`" in line)
        assert int(row.split("|")[-2]) == len(table), name
    assert f"seed {TRUE.seed}" in text
