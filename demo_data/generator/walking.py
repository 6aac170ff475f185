"""Load on the leg and walking aids at every visit of an episode."""

from __future__ import annotations

from demo_data.generator.visits import Course

LOADS = ("none", "toe_touch", "partial", "full")


def add_loads(courses: list[Course]) -> None:
    """Assessments on every visit of the episode: load by bone, aid by person."""
    walking = [course for course in courses if course.plan.walking]
    if not walking:
        return
    pooled = {day for course in walking for day in course.visits} | {courses[0].days["free"]}
    one_leg = len({course.plan.side for course in walking}) == 1
    for course in walking:
        for day in sorted(pooled):
            if day <= course.plan.surgery:
                continue
            loads = [_load(other, day) for other in (walking if one_leg else [course])]
            row = {"assessed_on": day, "load": LOADS[min(loads)], "aid": _aid(walking, day)}
            course.loads.append(row)


def _load(course: Course, day: int) -> int:
    """Frames bear more, earlier; nails wait for union."""
    days = course.days
    if day >= max(days["union"], days["free"] if course.plan.frame else 0):
        return 3
    if course.plan.frame:
        half = (days["end"] + days["union"]) // 2
        return 1 if day < days["surgery"] + 14 else (2 if day < half else 3)
    if day < days["surgery"] + 14:
        return 0
    return 1 if day < days["end"] else 2


def _aid(walking: list[Course], day: int) -> str:
    end = max(course.days["end"] for course in walking)
    union = max(course.days["union"] for course in walking)
    if day >= walking[0].days["free"]:
        return "none"
    if day >= union:
        return "cane"
    if day >= end + 0.6 * (union - end):
        return "one_crutch"
    both = len({course.plan.side for course in walking}) == 2
    return "wheelchair" if both and day < end else "two_crutches"
