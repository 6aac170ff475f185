"""Checks of counts: parts and totals, counts and percentages, events against cases and patients.

Percentages that no whole count can give: Brown NJL, Heathers JAJ. Soc Psychol Personal Sci
2017;8:363-369, DOI 10.1177/1948550616673876 (there for means of whole numbers).
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

from audit.estimates.proportions import proportion
from audit.manuscript.claim import Claim, Finding
from audit.manuscript.numbers import Printed, cut, half_up, written
from audit.manuscript.verdicts import compared

#: pairs of count and denominator named in a note
MOST_PAIRS = 6
#: smaller denominators tried for a hint
MOST_TRIED = 200
HUNDRED = Fraction(100)

Rounding = Callable[[Fraction, int], Fraction]


def parts_add_to_total(claim: Claim) -> Finding:
    """Whether the parts add up to the total; parts with decimals or a unit may be rounded ones."""
    parts = claim.numbers
    total = sum((part.value for part in parts), Fraction(0))
    slack = Fraction(0)
    if claim.unit or any(part.decimals for part in parts):
        slack = sum((part.half_step for part in parts), Fraction(0))
    found = compared(claim.total, total, limits=(total - slack, total + slack))
    if found.verdict != "disagree" or claim.total is None:
        return _deduced(claim, found)
    if claim.reason and total < claim.total.value:
        return _noted(
            found, f"sums to {found.recomputed}; reason given: {claim.reason}", "definition"
        )
    gap = written(total - claim.total.value, max(part.decimals for part in parts))
    return _noted(found, f"the parts sum to {found.recomputed}, not {claim.total.text} ({gap})")


def count_behind_percentage(claim: Claim) -> Finding:
    """100 x count / total against the printed percentage, with the share's intervals."""
    count, total = claim.numbers[0], claim.need("total")
    if total.value == 0:
        return Finding("not-identifiable", "–", None, "nobody in the denominator")
    value = HUNDRED * count.value / total.value
    found = compared(claim.printed, value, unit="%")
    notes = [found.note, _intervals(count, total)]
    if count.value > total.value:
        notes.append("the count is larger than the total: these are events, not cases")
    if found.verdict == "disagree" and claim.printed is not None:
        notes.append(_others(count, total, claim.printed))
    return _deduced(claim, _noted(found, "; ".join(note for note in notes if note)))


def percentage_attainable(claim: Claim) -> Finding:
    """Whether any whole count out of the total (or of a number from low to high) gives it."""
    figure = claim.need("printed")
    if claim.total is not None:
        sizes, word = [int(claim.total.value)], "attainable"
    else:
        lowest, highest = claim.need("low").value, claim.need("high").value
        sizes, word = list(range(int(lowest), int(highest) + 1)), "solvable"
    pairs = _pairs(figure, sizes, half_up)
    note = ""
    if not pairs:
        pairs = _pairs(figure, sizes, cut)
        note = "only where the digits were cut, not rounded half up"
    if pairs:
        return Finding(word, _pair_words(pairs), None, note)
    return Finding("disagree", "none", None, _none_words(figure, sizes))


def same_denominator(claim: Claim) -> Finding:
    """Whether one denominator is used throughout, or a reason is given where it is not."""
    sizes = [part.value for part in claim.numbers]
    words = ", ".join(written(size, 0) for size in dict.fromkeys(sizes))
    if len(set(sizes)) == 1:
        return Finding("agree", words, float(sizes[0]), "")
    if claim.reason:
        return Finding("definition", words, None, f"reason given: {claim.reason}")
    lost = written(max(sizes) - min(sizes), 0)
    return Finding("disagree", words, None, f"up to {lost} left out without a reason")


def events_cases_patients(claim: Claim) -> Finding:
    """Events, cases with an event, patients with an event: three numbers, three denominators.

    total: cases in all. n: patients in all. A printed percentage is traced to the numerator that
    gives it: events over cases is a rate, no share.
    """
    names = ("events", "cases with an event", "patients with an event")
    given = {
        name: part.value for name, part in zip(names, claim.parts, strict=False) if part is not None
    }
    cases, people = claim.need("total").value, None if claim.n is None else Fraction(claim.n)
    rates = _three_rates(given, cases, people)
    words = "; ".join(rate_words for rate_words, _ in rates.values())
    faults = _impossible(given, cases, people)
    if faults:
        return Finding("disagree", words, None, "; ".join(faults))
    if claim.printed is None:
        return Finding("own", words, None, "")
    figure = claim.printed
    from_these = [n for n, (_, v) in rates.items() if half_up(v, figure.decimals) == figure.value]
    if not from_these:
        return Finding("disagree", words, None, "the printed percentage comes from none of them")
    if from_these == ["events"]:
        note = "the printed percentage is events over cases: a rate per 100 cases, not a share"
        return Finding("definition", words, None, note)
    return Finding("agree", words, None, f"the printed percentage is that of {from_these[-1]}")


def _three_rates(
    given: dict[str, Fraction], cases: Fraction, people: Fraction | None
) -> dict[str, tuple[str, Fraction]]:
    """For each numerator its words and its value per 100."""
    found = {}
    for name, count in given.items():
        below = people if name.startswith("patients") else cases
        if below:
            rate = HUNDRED * count / below
            of = f"{written(count, 0)} {name} / {written(below, 0)}"
            ending = " per 100 cases" if name == "events" else "%"
            found[name] = (f"{of} = {written(rate, 1)}{ending}", rate)
    return found


def _impossible(given: dict[str, Fraction], cases: Fraction, people: Fraction | None) -> list[str]:
    """What in the three counts contradicts itself."""
    events = given.get("events")
    touched, persons = given.get("cases with an event"), given.get("patients with an event")
    rules = [
        (events, touched, "fewer events than cases with one"),
        (events, persons, "fewer events than patients with one"),
        (touched, persons, "fewer cases with an event than patients with one"),
        (cases, touched, "more cases with an event than cases"),
        (people, persons, "more patients with an event than patients"),
        (cases, people, "fewer cases than patients"),
    ]
    faults = [
        words
        for more, fewer, words in rules
        if more is not None and fewer is not None and more < fewer
    ]
    if touched is not None and persons is not None and people is not None and not faults:
        free_cases, free_people = cases - touched, people - persons
        if free_cases < free_people:
            faults.append("too few cases without an event for the patients without one")
    return faults


def _pairs(figure: Printed, sizes: list[int], way: Rounding) -> list[tuple[int, int]]:
    """(count, size) whose percentage is printed so; way: half_up or cut."""
    found = []
    for size in filter(None, sizes):
        near = int(figure.value * size / 100)
        for count in range(max(near - 1, 0), min(near + 2, size) + 1):
            value = HUNDRED * count / size
            if way(value, figure.decimals) == figure.value:
                found.append((count, size))
    return found


def _pair_words(pairs: list[tuple[int, int]]) -> str:
    shown = [f"{count}/{size} = {written(HUNDRED * count / size, 2)}%" for count, size in pairs]
    more = len(shown) - MOST_PAIRS
    return ", ".join(shown[:MOST_PAIRS]) + (f" and {more} more" if more > 0 else "")


def _none_words(figure: Printed, sizes: list[int]) -> str:
    """What the counts next to the printed percentage give, and a smaller size that would fit."""
    if len(sizes) > 1:
        return f"no whole count out of {sizes[0]} to {sizes[-1]} gives {figure.text}%"
    size = sizes[0]
    near = int(figure.value * size / 100)
    shown = _pair_words([(count, size) for count in (near, near + 1) if 0 <= count <= size])
    smaller = range(size - 1, max(size - MOST_TRIED, 0), -1)
    fits = _pairs(figure, list(smaller), half_up)
    hint = f"; {fits[0][0]}/{fits[0][1]} would give it" if fits else ""
    return f"no whole count out of {size} gives {figure.text}%: {shown}{hint}"


def _others(count: Printed, total: Printed, figure: Printed) -> str:
    """The count that would give the printed percentage, and the denominator that would."""
    hints = [f"{a}/{b}" for a, b in _pairs(figure, [int(total.value)], half_up)]
    if figure.value > 0 and count.value > 0:
        near = int(HUNDRED * count.value / figure.value)
        for size in range(max(near - 1, int(count.value)), near + 3):
            if half_up(HUNDRED * count.value / size, figure.decimals) == figure.value:
                hints.append(f"{count.text}/{size}")
    return f"{figure.text}% would be {' or '.join(dict.fromkeys(hints))}" if hints else ""


def _intervals(count: Printed, total: Printed) -> str:
    if count.value > total.value:
        return ""
    words = []
    for method, label in (("wilson", "Wilson"), ("exact", "exact")):
        found = proportion(int(count.value), int(total.value), method=method)
        if found.low is not None and found.high is not None:
            low, high = (written(HUNDRED * Fraction(side), 1) for side in (found.low, found.high))
            words.append(f"{label} {low} to {high}")
    return f"95% interval: {', '.join(words)}"


def _deduced(claim: Claim, found: Finding) -> Finding:
    """An agreement that proves little, because the count came from the percentage."""
    if not claim.deduced or found.verdict != "agree":
        return found
    note = "count deduced from the percentage"
    return _noted(found, "; ".join(part for part in (note, found.note) if part), "solved-agree")


def _noted(found: Finding, note: str, verdict: str | None = None) -> Finding:
    return Finding(verdict or found.verdict, found.recomputed, found.value, note)
