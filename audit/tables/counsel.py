"""What families were told, and the service's own times: tables to read before the next talk."""

from __future__ import annotations

import pandas as pd

from audit import wording
from audit.estimates.estimate import Estimate
from audit.results.counsel import EACH_KIND, FEWEST_PEOPLE, TOO_FEW, own_times
from audit.run import AuditRun
from audit.tables.shown import ShownTable, group_words

CAUTIONS = (
    "Group averages from this service are not a forecast for one person. They depend on bone, age, "
    "device, method and definitions.",
    "Read every time together with the number of people behind it, the dates and who was left out. "
    "Nothing here is a target for rate, load or time, and it does not belong in a handout.",
)
OWN_TIME_HEADINGS = ("Group", "People", "Limbs", "Episodes", "Reached")
QUARTILE_TITLES = {
    "q1": "Quarter by (95% CI)",
    "median": "Half by (95% CI)",
    "q3": "Three quarters by (95% CI)",
}
TOGETHER = "+".join(EACH_KIND)
CURVE_NOTE = (
    "Kaplan-Meier, one row of data a walking episode (one person learning to walk once); cases "
    "still waiting are kept in. 95% limits allow for several episodes of one person where there "
    f"are at least {FEWEST_PEOPLE} people. Open: the limit lies beyond the follow-up."
)


def promise_table(told: pd.DataFrame) -> ShownTable:
    """Share walking by the promised week and median delay, from `results.counsel.calibration`."""
    frame = pd.DataFrame(
        {
            "Promise": told["band"],
            "People": told["people"].astype(str),
            "Episodes": told["n"].astype(str),
            "Reached by then": told["reached"].astype(str),
            "Not reached": told["not_reached"].astype(str),
            "Not known": told["unknown"].astype(str),
            "Share by then (95% CI)": [_share(row) for _, row in told.iterrows()],
            "Median days after the promised day (95% CI)": [
                wording.with_interval(_estimate(row, "delay_days", "delay", "days"))
                for _, row in told.iterrows()
            ],
        }
    )
    whole = told.iloc[0]
    left_out = f"Left out: {whole['missing']} episodes" if whole["missing"] else "Nobody left out"
    notes = (
        "Full weight bearing by the latest promised day of an episode, that day included; a "
        "negative delay is earlier than promised. Not known: waiting when last seen before the "
        "promised day, or taken over from elsewhere; the curve keeps them while seen.",
        CURVE_NOTE + " Where death or amputation made walking impossible the promise was not kept.",
        left_out + (f". Counts: {whole['note']}." if whole["note"] else "."),
    )
    caption = "Full weight bearing by the promised week, all time"
    return ShownTable(frame, "promises", caption, notes)


def _share(row: pd.Series) -> str:
    if pd.isna(row["share"]):
        return wording.NOT_ESTIMABLE
    n = int(row["n"])
    limits = [wording.percent(row[side], n) for side in ("low", "high") if not pd.isna(row[side])]
    inside = f" ({limits[0]} to {limits[1]})" if len(limits) == 2 else " (no interval)"
    return wording.percent(row["share"], n) + inside


def _estimate(row: pd.Series, value: str, stem: str, unit: str) -> Estimate:
    numbers = [
        None if pd.isna(row[name]) else float(row[name])
        for name in (value, f"{stem}_low", f"{stem}_high")
    ]
    return Estimate(
        value=numbers[0], low=numbers[1], high=numbers[2], n=int(row["n"]), unit=unit, note="-"
    )


def own_time_tables(run: AuditRun) -> tuple[ShownTable, ShownTable]:
    """Own times to full weight bearing: by one thing at a time, then by all four together."""
    times = own_times(run.cohort)
    together = times["group_by"] == TOGETHER
    shown = times.loc[~together, "people"].iloc[0]
    notes = (CURVE_NOTE, *_who_notes(times.iloc[0]))
    small = together & (times["note"] == TOO_FEW)
    caption = "Own times to full weight bearing (days)"
    people = int(times.loc[small, "people"].sum())
    words = (
        f"Not shown: {int(small.sum())} of {int(together.sum())} groups, of {TOO_FEW} each "
        f"({people} in all)."
    )
    by_one = ShownTable(
        _lines(times.loc[~together]), "own_times", f"{caption}, {shown} people, all time", notes
    )
    by_four = ShownTable(
        _lines(times.loc[together & ~small]),
        "own_times_together",
        f"{caption} by bone, device, planned gain and age together",
        (words, *notes),
    )
    return by_one, by_four


def _who_notes(whole: pd.Series) -> tuple[str, ...]:
    dates = ""
    if not pd.isna(whole["first_surgery"]):
        first, last = whole["first_surgery"].date(), whole["last_surgery"].date()
        dates = f"Surgeries from {first} to {last}. "
    return (
        f"{dates}Left out: bones nobody walks on, and {whole['missing']} episodes that came under "
        "this service only after their time was over.",
        "Planned gain: the largest of one bone in the episode. Age: at the first surgery. Mixed: "
        "several bones or devices in one episode.",
    )


def _lines(times: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for _, row in times.iterrows():
        few = row["note"] == TOO_FEW
        line = {
            "Group": _words(row),
            "People": str(row["people"]),
            "Limbs": str(row["limbs"]),
            "Episodes": str(row["n"]),
            "Reached": "" if few else str(row["events"]),
        }
        for name, title in QUARTILE_TITLES.items():
            line[title] = (
                TOO_FEW if few else wording.with_interval(_estimate(row, name, name, "days"))
            )
        rows.append(line)
    # the headings stand even where every group was too small to show
    return pd.DataFrame(rows, columns=[*OWN_TIME_HEADINGS, *QUARTILE_TITLES.values()])


def _words(row: pd.Series) -> str:
    if row["group_by"] == "all":
        return "All walking episodes"
    words = group_words(row["group_by"], row["group"])
    titles = {"gain_band": "Planned gain ", "age_band": "Age "}
    if row["group_by"] in titles:
        return titles[row["group_by"]] + words[:1].lower() + words[1:]
    return words
