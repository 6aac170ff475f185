"""Which cases behind a number have changed since it was reported, and whether their facts have."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pandas as pd

from audit.criteria import EVENTS_OF_RATE, Criterion
from audit.intake.archive import ArchivedRun
from audit.measures import KEYS
from audit.reaudit.recompute import Recomputed
from audit.reaudit.record import FACTS, TIME_COLUMNS
from audit.reaudit.typed import differs, shown, typed_like
from audit.reaudit.units import changed_in
from audit.results.catalogue import TIMES
from audit.results.groups import Window
from audit.standards import ADULT_YEARS

NEW, GONE, CHANGED = "new", "gone", "changed"
#: the facts of a case: changed, those of another case of the patient changed, the same, unknown
OWN, OTHER, SAME, NOT_RECORDED = "changed", "other case of the patient", "same", "not recorded"
COLUMNS = ["case_id", "change", "facts", "tables", "field", "reported", "now"]
#: a number of walking episodes: it counts on when a patient is added, and says nothing of a case
COUNTERS = ("walking_episode",)
#: columns of cases_measured.csv that are facts as recorded, not computed
RECORDED = tuple(name for name in KEYS if name != "case_id")
#: columns of cases_measured.csv that hold the time to full weight bearing
WALKING_TIME = (
    "full_weight_bearing_days",
    "full_weight_bearing_reached",
    "full_weight_bearing_waited_days",
)
#: measure -> columns that it is made of, where they do not bear its name
MADE_OF: dict[str, tuple[str, ...]] = {
    "gain_agreement_mm": ("achieved_gain_mm", "planned_gain_mm"),
    **{rate: (counted,) for rate, counted in EVENTS_OF_RATE.items()},
    "cases_with_complication": ("complication_events",),
    "patients_with_complication": ("complication_events",),
    "cases_with_unplanned_operation": ("unplanned_operations",),
    "complications_per_100_case_months": ("events_in_follow_up", "follow_up_months"),
}


@dataclasses.dataclass(frozen=True, kw_only=True)
class Scope:
    """The cases behind a number: those of a window by an index day, of the devices, bones and
    ages of a criterion. whole_patients: also every other case of the same patients. all_columns:
    whatever changed in a case, not only what the measure is made of."""

    measure: str
    window: Window
    index_date: str = "surgery_date"
    device_class: tuple[str, ...] = ()
    segment: tuple[str, ...] = ()
    age: str = "any"
    whole_patients: bool = False
    all_columns: bool = False

    def widened(self) -> Scope:
        """Every case of the criterion in any window, with whatever changed in it."""
        return dataclasses.replace(
            self, window=Window("all"), index_date="", whole_patients=True, all_columns=True
        )


def scope_of(criterion: Criterion, window: Window) -> Scope:
    """The cases behind a criterion in a window."""
    return Scope(
        measure=criterion.measure,
        window=window,
        index_date=criterion.index_date,
        device_class=criterion.device_class,
        segment=criterion.segment,
        age=criterion.age,
        whole_patients=criterion.measure in TIMES,
    )


class CaseChanges:
    """Every case then beside itself now: both as recomputed with the definitions of then.

    known: the archive holds its cases. complete: also the case record, so that index days, ages,
    times and facts can be compared.
    """

    def __init__(self, archived: ArchivedRun, now: Recomputed) -> None:
        measured, record = archived.measured, archived.record
        self.known = measured is not None and not now.problem
        self.complete = self.known and record is not None
        if measured is None or now.problem:
            return
        self.now = _joined(now.measured, now.record)
        self.then = typed_like(_joined(measured, record), self.now)
        self.shared = self.then.index.intersection(self.now.index)
        columns = [name for name in self.now if name in self.then and name not in COUNTERS]
        one, two = self.then.loc[self.shared, columns], self.now.loc[self.shared, columns]
        self.differs = pd.DataFrame(
            {name: differs(one[name], two[name]) for name in columns}, index=self.shared
        )
        self.facts, self.fact_tables = _facts(record, now.record)
        self.units = None if archived.units is None else (archived.units, now.units)

    def behind_criterion(self, criterion: Criterion, window: Window) -> pd.DataFrame:
        """The cases of a criterion and window that changed (`COLUMNS`): by what the measure is
        made of and, where the archive holds the units, by what each unit counts as."""
        found = self.behind(scope_of(criterion, window))
        if self.units is None:
            return found
        known = set(found["case_id"])
        rows = [
            (case_id, self._change_of(case_id), *self._facts_of(case_id), name, then, now)
            for unit, name, then, now in changed_in(*self.units, criterion.id, window)
            for case_id in self._cases_of(unit)
            if case_id not in known
        ]
        more = pd.DataFrame(rows, columns=COLUMNS)
        return pd.concat([found, more], ignore_index=True) if rows else found

    def behind(self, scope: Scope) -> pd.DataFrame:
        """The cases of a scope, then or now, whose part in the number changed (`COLUMNS`): a row
        for every column that did, one without a column for a case that is new or gone."""
        before, after = _inside(self.then, scope), _inside(self.now, scope)
        ids = set(before) | set(after)
        if scope.whole_patients:
            ids = _of_same_patients(self.then, ids) | _of_same_patients(self.now, ids)
        rows = []
        for case_id in sorted(ids - set(self.shared)):
            state = self._facts_of(case_id)
            rows.append((case_id, self._change_of(case_id), *state, "", "", ""))
        fields = [name for name in self._fields(scope) if name in self.differs]
        moved = self.differs.loc[self.shared.isin(ids), fields]
        for row, column in np.argwhere(moved.to_numpy(dtype=bool)):
            case_id, name = moved.index[row], moved.columns[column]
            then, now = self.then.loc[case_id, name], self.now.loc[case_id, name]
            about = (case_id, CHANGED, *self._facts_of(case_id), name)
            rows.append((*about, shown(then), shown(now)))
        if scope.all_columns and self.complete:
            unseen = ids & set(self.shared) - {row[0] for row in rows}
            silent = sorted(case_id for case_id in unseen if self.facts.get(case_id, True))
            rows += [(one, CHANGED, *self._facts_of(one), "", "", "") for one in silent]
        return pd.DataFrame(rows, columns=COLUMNS)

    def _fields(self, scope: Scope) -> list[str]:
        """The columns of a case that can change a number of the scope."""
        if scope.all_columns:
            return list(self.differs)
        name, places = scope.measure, _places(scope)
        if name in MADE_OF:
            return [*places, *MADE_OF[name]]
        if name in TIMES:
            stem = name if TIMES[name][2] == "case" else f"{name}_by_case"
            walking = WALKING_TIME if "weight" in name else ()
            return [*places, *(f"{stem}_{part}" for part in TIME_COLUMNS), *walking]
        if name in self.differs:
            gain = ["achieved_gain_mm"] if name.endswith("_per_cm") else []
            return [*places, name, f"{name}_reason", *gain]
        return list(self.differs)

    def _cases_of(self, unit: str) -> list[str]:
        """The cases of a unit: one, or those of a walking episode, joined by "+"."""
        one = unit in self.now.index or unit in self.then.index
        return [unit] if one else unit.split("+")

    def _change_of(self, case_id: str) -> str:
        if case_id in self.shared:
            return CHANGED
        return NEW if case_id in self.now.index else GONE

    def _facts_of(self, case_id: str) -> tuple[str, str]:
        """(state of the case's facts, tables in which they changed). Without a case record only
        the facts that stand beside the measures can be compared."""
        if not self.complete:
            known = [name for name in RECORDED if name in self.differs]
            both = case_id in self.shared
            moved = not both or bool(self.differs.loc[case_id, known].any())
            return OWN if moved else NOT_RECORDED, ""
        own = self.facts.get(case_id, True)
        if own:
            return OWN, self.fact_tables.get(case_id, "")
        family = _of_same_patients(self.then, {case_id}) | _of_same_patients(self.now, {case_id})
        others = sorted(one for one in family if self.facts.get(one, True))
        return (OTHER, self.fact_tables.get(others[0], "")) if others else (SAME, "")


def _places(scope: Scope) -> list[str]:
    """The columns that decide whether a case belongs to a scope, and to which patient."""
    places = ["patient_id", scope.index_date]
    if scope.device_class or scope.whole_patients:
        places.append("device_class")
    if scope.segment or scope.whole_patients:
        places.append("segment")
    if scope.age != "any":
        places.append("age_at_surgery_years")
    return places


def _joined(measured: pd.DataFrame, record: pd.DataFrame | None) -> pd.DataFrame:
    """Measures and record of the cases in use (index: case_id), without the digests."""
    table = measured.set_index("case_id")
    if record is None:
        return table
    more = record.set_index("case_id")
    added = [name for name in more if name not in table and not str(name).startswith(FACTS)]
    return table.join(more[added], how="left")


def _facts(then: pd.DataFrame | None, now: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """(case_id -> whether its facts changed, case_id -> the tables in which they did)."""
    if then is None:
        return pd.Series(dtype=bool), pd.Series(dtype=object)
    before, after = then.set_index("case_id"), now.set_index("case_id")
    ids = before.index.union(after.index)
    tables: dict[str, list[str]] = {case_id: [] for case_id in ids}
    for name in [one for one in after if str(one).startswith(FACTS)]:
        # a table that the older kit did not know held nothing of the case then
        old = before[name] if name in before else pd.Series("", index=before.index)
        changed = old.reindex(ids).fillna("") != after[name].reindex(ids).fillna("")
        for case_id in ids[changed]:
            tables[case_id].append(str(name).removeprefix(FACTS))
    joined = {case_id: ", ".join(found) for case_id, found in tables.items()}
    words = pd.Series(joined, dtype=object)
    return words != "", words


def _inside(cases: pd.DataFrame, scope: Scope) -> pd.Index:
    """The cases of a scope; an entry that the archive does not hold chooses nobody out."""
    chosen = pd.Series(True, index=cases.index)
    if scope.index_date in cases and cases[scope.index_date].dtype.kind == "M":
        chosen &= scope.window.holds(cases[scope.index_date])
    for name, codes in (("device_class", scope.device_class), ("segment", scope.segment)):
        if codes and name in cases:
            chosen &= cases[name].isin(codes)
    ages = cases.get("age_at_surgery_years")
    if scope.age != "any" and ages is not None and ages.dtype.kind == "f":
        chosen &= ages < ADULT_YEARS if scope.age == "child" else ages >= ADULT_YEARS
    return cases.index[chosen.to_numpy(dtype=bool)]


def _of_same_patients(cases: pd.DataFrame, ids: set[str]) -> set[str]:
    patients = cases.loc[cases.index.isin(ids), "patient_id"]
    return set(cases.index[cases["patient_id"].isin(patients)]) | ids


def cases_counted(found: pd.DataFrame, states: Sequence[str]) -> dict[str, int]:
    """change -> number of cases whose facts are in one of the states."""
    each = found.drop_duplicates("case_id")
    counts = each.loc[each["facts"].isin(states), "change"].value_counts()
    return {change: int(counts[change]) for change in (NEW, GONE, CHANGED) if change in counts}
