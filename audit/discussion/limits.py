"""The limits beyond which a single case is looked at, each in one place and with its source."""

from __future__ import annotations

import dataclasses

import pandas as pd

from audit.standards import ADULT_YEARS

LOCAL = "local choice"


@dataclasses.dataclass(frozen=True, kw_only=True)
class Limit:
    """One limit. kind: what is compared (a key of `KINDS`); empty device_class or segment means
    every one; age: any or child (under 18 years at surgery)."""

    kind: str
    value: float
    source: str
    device_class: tuple[str, ...] = ()
    segment: tuple[str, ...] = ()
    age: str = "any"


#: kind -> (what is looked at, above or below, unit)
KINDS: dict[str, tuple[str, str, str]] = {
    "healing_index": ("healing index, or waiting for union so long", "above", "days/cm"),
    "fixation_index": ("external fixation index", "above", "days/cm"),
    "fast_distraction": ("distraction index", "above", "mm/day"),
    "slow_distraction": ("distraction index", "below", "mm/day"),
    "gain_error": ("distance from the plan, counted heavier", "above", "mm"),
    "stiff_knee": ("knee flexion at the last examination", "below", "degrees"),
    "stiff_in_distraction": ("knee flexion during distraction", "below", "degrees"),
    "flexion_lost": ("knee flexion lost after union", "above", "degrees"),
    "full_weight_bearing": ("days without full weight bearing", "above", "days"),
    "missed_sessions": ("days in a row without a logged session", "at least", "days"),
}
_NAIL, _OVER_NAIL = ("lengthening_nail",), ("lengthening_over_nail",)
_FRAMES = ("circular_fixator", "monolateral_fixator")
_NAIL_RANGE = "top of the range in Acta Orthop 2019;90:81-87, DOI 10.1080/17453674.2018.1534321"
_FRAME_MEAN = "mean and SD in Depaoli A et al. Children 2023;10:1586, DOI 10.3390/children10101586"

#: of several limits of one kind that fit a case the first counts
LIMITS: tuple[Limit, ...] = (
    Limit(
        kind="healing_index",
        value=60,
        device_class=_NAIL,
        segment=("femur", "tibia"),
        age="child",
        source=f"{LOCAL}; mean 33.5 in Rev Esp Cir Ortop Traumatol 2022;66:T355-T363, DOI "
        "10.1016/j.recot.2021.06.006",
    ),
    Limit(
        kind="healing_index",
        value=76,
        device_class=_NAIL,
        segment=("femur",),
        source=f"2.5 months/cm: {_NAIL_RANGE}",
    ),
    Limit(
        kind="healing_index",
        value=122,
        device_class=_NAIL,
        segment=("tibia",),
        source=f"4.0 months/cm: {_NAIL_RANGE}",
    ),
    Limit(
        kind="healing_index",
        value=82,
        device_class=_FRAMES,
        segment=("femur",),
        source=f"57 + 25: {_FRAME_MEAN}",
    ),
    Limit(
        kind="healing_index",
        value=79,
        device_class=_FRAMES,
        segment=("tibia",),
        source=f"55 + 24: {_FRAME_MEAN}",
    ),
    Limit(
        kind="healing_index",
        value=60,
        device_class=_OVER_NAIL,
        segment=("femur", "tibia"),
        source=f"{LOCAL}; means 27 to 43 in the series of the register",
    ),
    Limit(
        kind="fixation_index",
        value=30,
        device_class=_OVER_NAIL,
        source=f"{LOCAL}; means 12.8 to 24 in the series of the register",
    ),
    Limit(
        kind="fast_distraction",
        value=1.5,
        device_class=_NAIL,
        segment=("femur",),
        source="insufficient regenerate 9.1 times as likely: Clin Orthop Relat Res, PMC3008908",
    ),
    Limit(kind="slow_distraction", value=0.5, device_class=_NAIL, segment=("femur",), source=LOCAL),
    Limit(kind="gain_error", value=10, source=LOCAL),
    Limit(
        kind="stiff_in_distraction",
        value=60,
        source="contracture in 16 of 66 femora: Khakharia et al. Clin Orthop Relat Res "
        "2009;467:2911-2917, DOI 10.1007/s11999-009-0951-2",
    ),
    Limit(
        kind="stiff_knee",
        value=90,
        source=f"{LOCAL}; stairs and rising from a chair need about 90 degrees (textbook, second "
        "hand)",
    ),
    Limit(kind="flexion_lost", value=15, source=LOCAL),
    Limit(
        kind="full_weight_bearing",
        value=186,
        device_class=_NAIL,
        segment=("femur",),
        source="125.7 + 2 x 30.1 days: Duncan et al. Strategies Trauma Limb Reconstr "
        "2020;15:74-78, DOI 10.5005/jp-journals-10080-1461",
    ),
    Limit(kind="missed_sessions", value=2, source=LOCAL),
)


def limits_for(kind: str, cases: pd.DataFrame) -> pd.Series:
    """The limit of a kind for each case, missing where none is set.

    cases: device_class, segment and age_at_surgery_years. ValueError for a kind that is not in
    `KINDS`.
    """
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}; got {kind!r}")
    out = pd.Series(float("nan"), index=cases.index)
    for limit in LIMITS:
        if limit.kind != kind:
            continue
        fits = pd.Series(True, index=cases.index)
        if limit.device_class:
            fits &= cases["device_class"].isin(limit.device_class)
        if limit.segment:
            fits &= cases["segment"].isin(limit.segment)
        if limit.age == "child":
            fits &= cases["age_at_surgery_years"] < ADULT_YEARS
        out = out.mask(out.isna() & fits, limit.value)
    return out
