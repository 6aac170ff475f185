"""The commands around releases: verify, aggregate, pool."""

from __future__ import annotations

import argparse

from audit.commands.words import DONE, REFUSED, ending, tell


def verify(given: argparse.Namespace) -> int:
    """Is a release complete, unchanged and signed by two?"""
    from audit.release.summary import verify_release

    problems = verify_release(given.folder)
    for problem in problems:
        print(problem)
    if problems:
        tell(f"{len(problems)} found: nothing of {given.folder} may leave until they are settled.")
        return REFUSED
    tell(f"{given.folder} is complete, unchanged and signed. Only its folder external may leave.")
    return DONE


def aggregate(given: argparse.Namespace) -> int:
    """One centre's counts and sums, to be pooled with others."""
    from audit.intake.control_settings import read_control_settings
    from audit.pooling import aggregate as sums_of
    from audit.pooling import controlled_aggregate
    from audit.release.aggregate_files import save_aggregate
    from audit.release.folder import refuse_occupied
    from audit.run import Options, run_audit

    refuse_occupied(given.out)
    settings = read_control_settings(given.rules)
    run = run_audit(
        given.source,
        quarter=given.quarter,
        cutoff=given.cutoff,
        centre=given.centre,
        options=Options(tell=tell),
    )
    if given.external:
        found = controlled_aggregate(run, settings=settings, centre=given.centre)
        words = "ranges that follow from controlled tables, and no exact number"
    else:
        found = sums_of(run, period=f"year_to:{run.quarter}", centre=given.centre)
        words = "exact sums of groups, for departments that agreed to pool, not for publishing"
    save_aggregate(found, given.out)
    tell(f"{given.out} holds {words}; no patient's row.")
    tell("Then: lengthening-audit pool OUT FOLDER FOLDER ...")
    return ending(len(run.cohort.queries), "lengthening-audit check SOURCE --out DIR")


def pool(given: argparse.Namespace) -> int:
    """Aggregates of several centres as one results.csv."""
    from audit.intake.aggregate import read_aggregates
    from audit.pooling import funnels, pool_criteria
    from audit.pooling import pool as pooled
    from audit.release.folder import refuse_occupied, staged_folder
    from audit.release.pooled_files import save_pooled

    refuse_occupied(given.out, replace=given.replace)
    parts = read_aggregates(given.folders)
    results = pooled(parts)
    tables = {"results.csv": results, "criteria.csv": pool_criteria(parts)}
    tables["funnels.csv"] = funnels(parts)
    with staged_folder(given.out, replace=given.replace) as stage:
        save_pooled(tables, parts, stage)
    centres = sum(len(part.centres) for part in parts)
    tell(f"Open {given.out / 'results.csv'}: {len(results)} estimates of {centres} centres.")
    return DONE
