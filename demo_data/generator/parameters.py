"""The true parameters of the invented service, each with the published value it leans on.

Everything the tables hold is drawn from these numbers, so an estimate made from the tables can
be compared with the truth behind it. "Common practice" marks trade facts that have no published
source. Days count from surgery; indices are days per centimetre.
"""

from __future__ import annotations

import dataclasses
import datetime as dt

NAIL_SERIES = "286-event series of nail lengthenings, PMID 40456100"
RAIL_SERIES = "Bone Joint J 2016;98-B:1382-8, DOI 10.1302/0301-620X.98B10.36643"
CHILD_FRAMES = "Children 2023;10:1586, DOI 10.3390/children10101586"
TIBIA_METHODS = "J Limb Lengthen Reconstr 2020;6:13-19, DOI 10.4103/jllr.jllr_3_20"
OVER_NAIL = "Clin Orthop Relat Res 2012;470:1221-31 and J Orthop Traumatol 2019, mean of both"
NAIL_REVIEW = "Acta Orthop 2021;92:120-127, DOI 10.1080/17453674.2020.1835321"
COMMON = "common practice, no published source"
INVENTED = "invented for this demonstration"

FRAMES = ("circular_fixator", "monolateral_fixator")
WALKING = ("femur", "tibia")


@dataclasses.dataclass(frozen=True, kw_only=True)
class Healing:
    """True healing index of one stratum; approach is empty where it does not matter."""

    device: str
    segment: str
    approach: str = ""
    mean: float
    sd: float
    source: str


#: (union - surgery) / achieved gain, days/cm. SD counts case-to-case spread; for fast strata the
#: realised SD is smaller, because no bone heals before its distraction has ended.
HEALING = (
    Healing(device="lengthening_nail", segment="femur", approach="antegrade",
            mean=24.5, sd=9.5, source=NAIL_SERIES),
    Healing(device="lengthening_nail", segment="femur", approach="retrograde",
            mean=33.5, sd=14.5, source=NAIL_SERIES),
    Healing(device="lengthening_nail", segment="tibia", mean=41.0, sd=17.4, source=NAIL_SERIES),
    Healing(device="circular_fixator", segment="femur", mean=47.1, sd=18.0,
            source=RAIL_SERIES + "; SD invented"),
    Healing(device="monolateral_fixator", segment="femur", mean=47.1, sd=18.0,
            source=RAIL_SERIES + "; SD invented"),
    Healing(device="circular_fixator", segment="tibia", mean=56.0, sd=20.0,
            source=f"55 ({CHILD_FRAMES}) and 57.8 ({TIBIA_METHODS}); their SD 24 narrowed"),
    Healing(device="lengthening_over_nail", segment="femur", mean=37.0, sd=12.0,
            source=OVER_NAIL),
    Healing(device="lengthening_over_nail", segment="tibia", mean=37.4, sd=12.0,
            source="Rev Esp Cir Ortop Traumatol 2017 (matched tibial series); SD invented"),
)  # fmt: skip
#: every combination without its own line
HEALING_ELSE = Healing(device="other", segment="other", mean=48.0, sd=15.0, source=INVENTED)


@dataclasses.dataclass(frozen=True, kw_only=True)
class EventRates:
    """True events per 100 cases of one device class, by severity type, and pin-site events."""

    i: float
    ii: float
    iiia: float
    iiib: float
    pin_site: float = 0.0

    @property
    def total(self) -> float:
        """All events per 100 cases."""
        return self.i + self.ii + self.iiia + self.iiib + self.pin_site


#: nails: 34 events per 100 segments, types I 11, II 15, IIIA 5, IIIB 3 (NAIL_REVIEW).
#: Frames: more, most of it pin-site infection; 90 % of frame patients had one in J Bone Joint
#: Infect 2021;6:135, DOI 10.5194/jbji-6-135-2021. The frame numbers themselves are invented.
EVENT_RATES = {
    "lengthening_nail": EventRates(i=11, ii=15, iiia=5, iiib=3),
    "circular_fixator": EventRates(i=12, ii=18, iiia=6, iiib=4, pin_site=60),
    "monolateral_fixator": EventRates(i=12, ii=18, iiia=6, iiib=4, pin_site=50),
    "lengthening_over_nail": EventRates(i=12, ii=16, iiia=5, iiib=5, pin_site=25),
    "other": EventRates(i=12, ii=16, iiia=6, iiib=4, pin_site=20),
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Parameters:
    """All true parameters; change a copy with `dataclasses.replace`."""

    seed: int = 2206
    patients: int = 180
    first_day: dt.date = dt.date(2021, 7, 1)
    last_surgery: dt.date = dt.date(2026, 9, 30)
    read_on: dt.date = dt.date(2026, 10, 31)

    # --- who (INVENTED) ---
    north_share: float = 0.80
    child_share: float = 0.40
    #: how the cases of a patient hang together; simultaneous = both legs within 30 days
    patterns: tuple[tuple[str, float], ...] = (
        ("single", 0.735),
        ("simultaneous", 0.110),
        ("same_limb", 0.050),
        ("other_side_later", 0.055),
        ("same_bone_later", 0.050),
    )

    # --- distraction ---
    #: about 1 mm a day as a third of a millimetre three times a day (COMMON)
    sessions_per_day: int = 3
    #: a magnet session of 2 min 20 s gains a third of a millimetre (COMMON)
    session_seconds: int = 140
    rate_mm_per_day: float = 1.0
    #: tibial nails are driven slower, 0.5-0.75 mm/day (from memory, not read in a paper)
    tibia_nail_rate_mm_per_day: float = 0.75
    latency_femur_nail: float = 5.0
    latency_tibia_nail: float = 7.0
    latency_frame_child: float = 6.0
    latency_frame_adult: float = 8.0
    #: share of cases slowed to 0.8 of the rate, and mean days missed by a case
    slowed_share: float = 0.10
    slowed_factor: float = 0.80
    missed_days_mean: float = 0.30
    gain_error_sd_nail: float = 1.8
    gain_error_sd_frame: float = 3.0

    # --- healing: "ordinary" bone against "slow" bone; their mix gives the published mean ---
    #: 38 mm (an inch and a half) takes about six weeks to gain and about six weeks to heal,
    #: first full load about three months after surgery (COMMON): union on day 85 = 22.4 days/cm,
    #: which is 0.913 of the antegrade mean
    ordinary_factor: float = 85 / 3.8 / 24.5
    slow_share: float = 0.40
    #: probability of slow bone with and without a risk (age 40 or more, congenital, post-infective)
    slow_if_risk: float = 0.65
    slow_if_none: float = 0.25
    least_maturation_days: int = 10

    # --- walking ---
    #: a nail patient walks free at the union visit or at a check about ten days later
    free_at_union_share: float = 0.5
    check_after_union_days: int = 10
    free_after_frame_days: int = 21
    #: full activity six to eight weeks after first full load (COMMON)
    activity_after_days: tuple[int, int] = (42, 56)
    #: families are promised full load a bit early: share of the expected time
    promise_share: float = 0.92

    # --- knee: flexion of about 130 degrees kept (COMMON) ---
    knee_baseline: float = 134.0
    #: flexion at the end of distraction and in the end, as a share of baseline
    knee_nadir: tuple[tuple[str, float], ...] = (("nail", 0.72), ("frame", 0.60), ("tibia", 0.86))
    #: 97 % for nails, 93 % for femoral frames by 12-18 months: femoral frames regained 88 % of
    #: flexion at 6 months and 97 % of patients by 18 (PMID 11352190); arc kept 117 of 125 degrees
    #: in a frame cohort (J Orthop Sci 2001)
    knee_final: tuple[tuple[str, float], ...] = (("nail", 0.97), ("frame", 0.93), ("tibia", 0.97))
    knee_recovery_days: float = 75.0
    no_baseline_share: float = 0.07

    # --- planted worsening: pin-site events of circular fixators, surgery on or after this day.
    # Total circular rate before: 100 per 100 cases; after: 40 + 4 x 60 = 280, roughly threefold.
    worse_from: dt.date = dt.date(2026, 1, 1)
    worse_pin_site_factor: float = 4.0

    # --- paper work (INVENTED) ---
    missing_share: float = 0.055
    missing_share_old: float = 0.11
    old_before: dt.date = dt.date(2023, 1, 1)
    sessions_from: dt.date = dt.date(2024, 10, 1)

    @property
    def slow_factor(self) -> float:
        """Healing factor of slow bone, such that the mix of both has mean one."""
        ordinary = 1 - self.slow_share
        return (1 - ordinary * self.ordinary_factor) / self.slow_share

    @property
    def simultaneous_share(self) -> float:
        """Share of patients with both legs lengthened within 30 days."""
        return dict(self.patterns)["simultaneous"]


TRUE = Parameters()


def healing_of(device: str, segment: str, approach: str) -> Healing:
    """The healing stratum of a case."""
    for stratum in HEALING:
        same = (stratum.device, stratum.segment) == (device, segment)
        if same and stratum.approach in ("", approach):
            return stratum
    return HEALING_ELSE
