"""Knee flexion kept, limb by limb: result rows."""

from __future__ import annotations

from typing import Any

from audit.estimates import averages
from audit.estimates.clusters import clustered_mean, clustered_median
from audit.estimates.estimate import Estimate
from audit.measures.limbs import BY_LIMB
from audit.results.catalogue import WORDS_FOR_REASONS
from audit.results.groups import Slice
from audit.results.rows import result_row
from audit.settings import Settings


def limb_knee_rows(part: Slice, settings: Settings) -> list[dict[str, object]]:
    """Mean, median (both also with limits over patients) and quartiles of flexion kept, per cent.

    part: limbs from `limb_knee_measures`. Limbs without a baseline or without an examination
    after the last surgery are counted missing, and the note says why.
    """
    values, patients = part.rows[BY_LIMB].astype(float), part.rows["patient_id"]
    plain: dict[str, Any] = {"level": settings.level, "unit": "%"}
    sampling: dict[str, Any] = {"resamples": settings.resamples, "seed": settings.seed}
    found: dict[str, Estimate] = {
        "mean": averages.mean(values, **plain),
        "mean_clustered": clustered_mean(values, patients, **plain),
        "median": averages.median(values, **plain),
        "median_clustered": clustered_median(values, patients, **plain, **sampling),
        "q1": averages.quantile(values, q=0.25, **plain),
        "q3": averages.quantile(values, q=0.75, **plain),
    }
    counts = part.rows[f"{BY_LIMB}_reason"].value_counts()
    order = sorted(counts.index, key=lambda code: (-counts[code], code))
    about = ", ".join(f"{WORDS_FOR_REASONS.get(code, code)}: {counts[code]}" for code in order)
    return [
        result_row(BY_LIMB, statistic, part, estimate, note=about)
        for statistic, estimate in found.items()
    ]
