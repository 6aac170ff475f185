"""Checks of means, ratios and per-centimetre indices.

The mean of ratios is not the ratio of means; and the mean of reciprocals is never less than the
reciprocal of the mean (Jensen JLWV. Acta Math 1906;30:175-193, from memory).
"""

from __future__ import annotations

from fractions import Fraction

from audit.manuscript.claim import Claim, Finding
from audit.manuscript.numbers import Printed, cut, quotient, written
from audit.manuscript.verdicts import compared

#: days in a month, as everywhere in the kit
DAYS_A_MONTH = Fraction("30.4375")
MM_A_CM = Fraction(10)
#: mm in a cm over the length of the index's unit of time: rate x index = this
TURNS = {"days/cm": MM_A_CM, "months/cm": MM_A_CM / DAYS_A_MONTH}
#: a mean of ratios and a ratio of means further apart than this factor are taken for two different
#: things. Common practice, no published source: in rows seen in print the two differ by a third.
FARTHEST = Fraction(3, 2)


def ratio(claim: Claim) -> Finding:
    """First part over second. Unit `count`: both are counts, so exact."""
    above, below = claim.numbers
    value, low, high = quotient(above, below, Fraction(1))
    return compared(claim.printed, value, limits=None if claim.unit == "count" else (low, high))


def difference(claim: Claim) -> Finding:
    """First part minus second."""
    first, second = claim.numbers
    value, slack = first.value - second.value, first.half_step + second.half_step
    return compared(claim.printed, value, limits=(value - slack, value + slack))


def percentage_change(claim: Claim) -> Finding:
    """100 x (after - before) / before; the note says so where a share of the other was printed."""
    before, after = claim.numbers
    value, low, high = (100 * (one - 1) for one in quotient(after, before, Fraction(1)))
    found = compared(claim.printed, value, limits=(low, high), unit="%")
    if found.verdict != "disagree":
        return found
    for words, one, other in (
        ("the first as a share of the second", before, after),
        ("the second as a share of the first", after, before),
    ):
        if compared(claim.printed, 100 * one.value / other.value).verdict in ("agree", "truncated"):
            return Finding(
                found.verdict, found.recomputed, found.value, f"what is printed is {words}"
            )
    return found


def weighted_sum(claim: Claim) -> Finding:
    """Parts times weights, added: patients with 0, 1, 2 operations make so many operations."""
    value = sum((part.value * weight.value for part, weight in _weighted(claim)), Fraction(0))
    return compared(claim.printed, value)


def mean_of_values(claim: Claim) -> Finding:
    """The plain mean of the parts; with weights (n of each) the note gives the weighted mean."""
    values = [part.value for part in claim.numbers]
    found = compared(claim.printed, sum(values, Fraction(0)) / len(values))
    weighted = _weighted(claim)
    size = sum((weight.value for _, weight in weighted), Fraction(0))
    if not size:
        return found
    mean = sum((part.value * weight.value for part, weight in weighted), Fraction(0)) / size
    decimals = 3 if claim.printed is None else claim.printed.decimals + 2
    other = compared(claim.printed, mean)
    verdict = "definition" if found.verdict == "disagree" and other.verdict == "agree" else None
    notes = [found.note, f"weighted by n it is {written(mean, decimals)}"]
    return _again(found, "; ".join(filter(None, notes)), verdict)


def ratio_of_means(claim: Claim) -> Finding:
    """A printed mean of ratios beside the ratio of the printed means.

    They may differ, so a difference is a matter of definition; but the ratio of means is a
    weighted mean of the same ratios and so lies between the smallest and the largest of them.
    """
    above, below = claim.numbers
    value, low, high = quotient(above, below, Fraction(1))
    found = compared(claim.printed, value, limits=(low, high))
    if _outside(claim, low, high):
        note = "the ratio of means lies outside the printed range: other cases, or another quantity"
        return _again(found, note, "disagree")
    if found.verdict in ("own", "agree"):
        return found
    figure = claim.need("printed")
    if figure.value <= 0 or not 1 / FARTHEST < value / figure.value < FARTHEST:
        note = "too far apart for a mean of ratios and a ratio of means: label and number do not"
        return _again(found, f"{note} belong together", "disagree")
    note = "ratio of means; what is printed may be the mean of ratios"
    if cut(value, figure.decimals) == figure.value:
        note += ", or the digits were cut"
    return _again(found, note, "definition")


def mean_reciprocal(claim: Claim) -> Finding:
    """A mean index (time per cm) cannot be below the reciprocal of the mean rate (mm a day)."""
    rate, figure = claim.numbers[0], claim.printed
    value = TURNS[claim.unit] / rate.value
    lowest = TURNS[claim.unit] / rate.high
    found = compared(None, value)
    if figure is None:
        return _again(found, f"the mean index is at least this, in {claim.unit}")
    least = written(lowest, figure.decimals + 1)
    if figure.high <= lowest:
        note = f"the mean index is at least {least} {claim.unit} if both are plain means of the"
        return _again(found, f"{note} same cases", "disagree")
    return _again(found, f"not below the least possible, {least} {claim.unit}", "agree")


def reciprocal_range(claim: Claim) -> Finding:
    """A range of rates (mm a day) and a range of indices (time per cm) of the same cases."""
    slow, fast = claim.numbers
    ends = []
    for rate, figure in ((fast, claim.low), (slow, claim.high)):
        value = TURNS[claim.unit] / rate.value
        limits = (TURNS[claim.unit] / rate.high, TURNS[claim.unit] / max(rate.low, rate.value / 2))
        ends.append((figure, value, compared(figure, value, limits=limits)))
    words = " to ".join(
        written(value, 1 if figure is None else figure.decimals) for figure, value, _ in ends
    )
    verdicts = {found.verdict for _, _, found in ends}
    if verdicts == {"own"}:
        return Finding("own", words, None, "nothing printed")
    if "disagree" not in verdicts:
        return Finding("agree", words, None, "")
    note = f"in {claim.unit}; the printed range would be {_back(claim)} mm/day"
    return Finding("disagree", words, None, note)


def index_algebra(claim: Claim) -> Finding:
    """Index from surgery minus index after distraction leaves latency and distraction per cm.

    It gives a rate in mm a day. As latency is in it, and a mean of reciprocals is never below the
    reciprocal of the mean, the rate so found cannot be above the printed mean rate.
    """
    whole, after = claim.numbers
    left = whole.value - after.value
    slack = whole.half_step + after.half_step
    if left - slack <= 0:
        note = "the index from surgery is not larger than the index after distraction"
        return Finding("disagree", written(left, whole.decimals), float(left), note)
    value, low, high = (TURNS[claim.unit] / (left + part) for part in (0, slack, -slack))
    found = compared(claim.printed, value, limits=(low, high))
    if found.verdict in ("own", "agree"):
        return found
    if low >= claim.need("printed").high:
        note = "in mm/day; faster than the printed mean rate, which is impossible"
        return _again(found, note, "disagree")
    note = "in mm/day; slower than the printed rate, as latency is in it"
    return _again(found, note, "not-identifiable")


def _weighted(claim: Claim) -> list[tuple[Printed, Printed]]:
    pairs = zip(claim.parts, claim.weights, strict=False)
    return [(part, weight) for part, weight in pairs if part is not None and weight is not None]


def _outside(claim: Claim, low: Fraction, high: Fraction) -> bool:
    """Whether limits lie wholly outside the printed range."""
    if claim.low is None or claim.high is None:
        return False
    return high < claim.low.low or low > claim.high.high


def _back(claim: Claim) -> str:
    """The range of rates that the printed range of indices implies."""
    ends = (TURNS[claim.unit] / claim.need(side).value for side in ("high", "low"))
    return " to ".join(written(end, 2) for end in ends)


def _again(found: Finding, note: str, verdict: str | None = None) -> Finding:
    return Finding(verdict or found.verdict, found.recomputed, found.value, note)
