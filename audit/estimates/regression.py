"""Hazard ratios: Cox regression with late entry, strata and cluster-robust errors."""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import special

from audit.estimates.cox_scores import CoxData, CoxScores, cox_scores
from audit.estimates.estimate import LEVEL, Estimate, not_estimable
from audit.estimates.product_limit import z_of
from audit.estimates.time_input import TimeData, codes_of, numbers, one_of, read_times

FEW_EVENTS = 10
_LARGEST_EFFECT = 15.0
_LARGEST_ERROR = 100.0


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class CoxModel:
    """A fitted Cox model, or the reason in `note` why there is none.

    table: one row a covariate: covariate, coef, std_error, hazard_ratio, low, high, z, p,
    model_std_error (without clusters); all missing where not estimable. n, events: cases and
    events used; missing: cases left out for an empty value. level: of the limits.
    """

    table: pd.DataFrame
    n: int
    events: int
    missing: int
    events_per_variable: float
    log_likelihood: float | None
    log_likelihood_null: float | None
    method: str
    note: str
    level: float = LEVEL
    data: CoxData | None = dataclasses.field(default=None, repr=False)

    @property
    def estimable(self) -> bool:
        """True when the model could be fitted."""
        return self.log_likelihood is not None

    def hazard_ratio(self, covariate: str) -> Estimate:
        """Hazard ratio for one unit more of a covariate, with its limits."""
        names = list(self.table["covariate"])
        row = self.table.iloc[names.index(one_of(covariate, name="covariate", choices=names))]
        if not self.estimable:
            return not_estimable(
                self.note,
                n=self.n,
                missing=self.missing,
                method=self.method,
                unit="ratio",
                level=self.level,
            )
        return Estimate(
            value=float(row["hazard_ratio"]),
            low=float(row["low"]),
            high=float(row["high"]),
            level=self.level,
            n=self.n,
            missing=self.missing,
            method=self.method,
            unit="ratio",
            note=self.note,
        )


def cox_model(
    table: pd.DataFrame,
    *,
    duration: str,
    event: str,
    covariates: Sequence[str],
    cluster: str | None = None,
    strata: str | None = None,
    entry: str | None = None,
) -> CoxModel:
    """Hazard ratios by Cox regression, ties after Efron, with late entry, strata and clusters.

    The arguments name columns of `table`. Covariates are numbers or True/False (code categories
    as 0/1 columns first). Rows with an empty covariate, cluster or stratum are left out and
    counted in `missing`. With `cluster` the standard errors are the grouped sandwich of score
    residuals (Lin & Wei 1989, J Am Stat Assoc 84:1074-1078; Therneau & Grambsch 2000, Modeling
    Survival Data, section 8.2). A fit that does not converge, or a covariate that separates those
    with the event from those without, is not estimable. Cox 1972, J R Stat Soc B 34:187-220.
    Raises ValueError as `time_input.read_times`, and for columns that are not there.
    """
    names = list(covariates)
    _check_columns(table, [duration, event, cluster, strata, entry, *names], names)
    rows = _complete(table, [*names, *(c for c in (cluster, strata) if c)])
    used = table.loc[rows]
    times = read_times(used[duration], used[event], None if entry is None else used[entry])
    data = _cox_data(used, times, names, strata)
    groups = None
    if cluster is not None:
        groups = times.take(codes_of(used[cluster], name="cluster")[0])
    missing = len(table) - data.time.size
    method = _method(cluster, strata, entry)
    reason = _why_not(data)
    fitted = _fit(data, late_entry=entry is not None) if not reason else None
    if fitted is None:
        return _refused(data, names, missing, method, reason or _no_fit_reason())
    return _model(data, names, fitted, groups, missing, method)


def _check_columns(table: pd.DataFrame, columns: Sequence[str | None], names: list[str]) -> None:
    if not names:
        raise ValueError("covariates must name at least one column")
    absent = [name for name in columns if name is not None and name not in table.columns]
    if absent:
        raise ValueError(f"the table has no column {', '.join(map(repr, absent))}")
    if len(set(names)) < len(names):
        raise ValueError("covariates must not name a column twice")
    for name in names:
        values = numbers(table[name], name=name, allow_bool=True)
        if np.isinf(values).any():
            raise ValueError(f"{name} must be finite")


def _complete(table: pd.DataFrame, columns: list[str]) -> np.ndarray:
    return table[columns].notna().all(axis=1).to_numpy()


def _cox_data(used: pd.DataFrame, times: TimeData, names: list[str], strata: str | None) -> CoxData:
    columns = [times.take(numbers(used[name], name=name, allow_bool=True)) for name in names]
    layer = np.zeros(times.time.size, dtype=np.intp)
    if strata is not None:
        layer = times.take(codes_of(used[strata], name="strata")[0])
    # Everybody without late entry is at risk from before time 0, so that time 0 counts.
    start = np.full(times.time.size, -1.0) if times.entry is None else times.entry
    matrix = np.column_stack(columns).astype(np.float64)
    return CoxData(times.time, times.event, start, layer, matrix)


def _why_not(data: CoxData) -> str:
    """Reason not to fit at all; empty when there is none."""
    events = int(data.event.sum())
    if data.time.size == 0:
        return "no cases"
    if events == 0:
        return "no events"
    if events < data.covariates.shape[1]:
        return "fewer events than covariates"
    centred = data.covariates - data.covariates.mean(axis=0)
    if np.linalg.matrix_rank(centred) < centred.shape[1]:
        return "a covariate is constant or follows from the others"
    return ""


def _no_fit_reason() -> str:
    return "no stable fit: a covariate separates cases with the event from those without"


def _fit(data: CoxData, *, late_entry: bool) -> np.ndarray | None:
    """Coefficients from the library, or None when the likelihood has no maximum it can trust."""
    from lifelines import CoxPHFitter
    from lifelines.exceptions import ConvergenceError, ConvergenceWarning

    frame = pd.DataFrame(data.covariates)
    frame.columns = pd.Index([f"x{position}" for position in range(frame.shape[1])])
    frame["time"], frame["event"], frame["stratum"] = data.time, data.event, data.stratum
    frame["entry"] = data.entry
    options = {"strata": ["stratum"] if data.stratum.any() else None}
    unused = ["entry"] if not late_entry else []
    unused += ["stratum"] if options["strata"] is None else []
    with np.errstate(all="ignore"), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            fitter = CoxPHFitter().fit(
                frame.drop(columns=unused),
                "time",
                "event",
                strata=options["strata"],
                entry_col="entry" if late_entry else None,
                fit_options={"precision": 1e-12},
            )
        except ConvergenceError:
            return None
    if any(issubclass(item.category, ConvergenceWarning) for item in caught):
        return None
    return _trusted(data, fitter.params_.to_numpy())


def _trusted(data: CoxData, coefficients: np.ndarray) -> np.ndarray | None:
    """The coefficients, unless their size or error shows that the likelihood is flat there.

    One more Newton step with the scores of this kit takes out what the library's stopping rule
    leaves (about 1e-6 of a coefficient).
    """
    scores = cox_scores(data, coefficients)
    if not np.isfinite(scores.information).all() or np.linalg.cond(scores.information) > 1e14:
        return None
    spread = data.covariates.std(axis=0)
    error = np.sqrt(np.diag(np.linalg.inv(scores.information)))
    too_large = (np.abs(coefficients) * spread > _LARGEST_EFFECT) | (
        error * spread > _LARGEST_ERROR
    )
    if too_large.any():
        return None
    return coefficients + np.linalg.solve(scores.information, scores.residual.sum(axis=0))


def _model(
    data: CoxData,
    names: list[str],
    coefficients: np.ndarray,
    groups: np.ndarray | None,
    missing: int,
    method: str,
) -> CoxModel:
    scores = cox_scores(data, coefficients)
    inverse = np.linalg.inv(scores.information)
    plain = np.sqrt(np.diag(inverse))
    error = plain if groups is None else _robust_error(scores, inverse, groups)
    events = int(data.event.sum())
    return CoxModel(
        table=_table(names, coefficients, error, plain),
        n=data.time.size,
        events=events,
        missing=missing,
        events_per_variable=events / len(names),
        log_likelihood=scores.log_likelihood,
        log_likelihood_null=cox_scores(data, np.zeros(len(names))).log_likelihood,
        method=method,
        note=_events_note(events, len(names)),
        data=data,
    )


def _robust_error(scores: CoxScores, inverse: np.ndarray, groups: np.ndarray) -> np.ndarray:
    """Grouped sandwich: the influence of each cluster on the coefficients, squared and summed."""
    influence = scores.score_residual @ inverse
    summed = np.zeros((int(groups.max()) + 1, influence.shape[1]))
    np.add.at(summed, groups, influence)
    return np.sqrt(np.sum(summed**2, axis=0))


def _table(
    names: list[str], coefficients: np.ndarray, error: np.ndarray, plain: np.ndarray
) -> pd.DataFrame:
    half = z_of(LEVEL) * error
    score = coefficients / error
    return pd.DataFrame(
        {
            "covariate": names,
            "coef": coefficients,
            "std_error": error,
            "hazard_ratio": np.exp(coefficients),
            "low": np.exp(coefficients - half),
            "high": np.exp(coefficients + half),
            "z": score,
            "p": 2 * special.ndtr(-np.abs(score)),
            "model_std_error": plain,
        }
    )


def _refused(data: CoxData, names: list[str], missing: int, method: str, reason: str) -> CoxModel:
    columns = ["coef", "std_error", "hazard_ratio", "low", "high", "z", "p", "model_std_error"]
    table = pd.DataFrame(np.nan, index=range(len(names)), columns=columns)
    table.insert(0, "covariate", names)
    events = int(data.event.sum())
    return CoxModel(
        table=table,
        n=data.time.size,
        events=events,
        missing=missing,
        events_per_variable=events / len(names),
        log_likelihood=None,
        log_likelihood_null=None,
        method=method,
        note=f"{reason}; {_events_note(events, len(names))}",
    )


def _events_note(events: int, covariates: int) -> str:
    """Events a variable in words; below 10 with a caution (Peduzzi et al. 1995)."""
    each = events / covariates
    note = f"{events} events, {each:.1f} a covariate"
    if each < FEW_EVENTS:
        note += f"; fewer than {FEW_EVENTS} a covariate, so the ratios are unreliable"
    return note


def _method(cluster: str | None, strata: str | None, entry: str | None) -> str:
    parts = ["Cox regression, Efron ties"]
    parts += ["late entry"] if entry else []
    parts += [f"stratified by {strata}"] if strata else []
    parts += [f"robust errors by {cluster}"] if cluster else []
    return ", ".join(parts)
