"""From a recomputed number to a verdict on the printed one."""

from __future__ import annotations

from fractions import Fraction

from audit.manuscript.claim import Finding
from audit.manuscript.numbers import SPARE_DECIMALS, Printed, cut, half_up, written

WITHIN_ROUNDING = "within the rounding of the printed numbers"


def compared(
    figure: Printed | None,
    value: Fraction,
    *,
    limits: tuple[Fraction, Fraction] | None = None,
    unit: str = "",
) -> Finding:
    """The printed figure against a recomputed value.

    limits: the least and the most that the value can be, because it comes from rounded numbers;
        None where it is exact.
    """
    decimals = SPARE_DECIMALS if figure is None else figure.decimals + SPARE_DECIMALS
    if value.denominator == 1 and (figure is None or not figure.decimals):
        decimals = 0
    ending = unit if unit == "%" else ""
    recomputed = f"{written(value, decimals)}{ending}"
    verdict, note = "own", "nothing printed"
    if figure is not None:
        verdict, note = _verdict(figure, value, limits)
    return Finding(verdict, recomputed, float(value), note)


def _verdict(
    figure: Printed, value: Fraction, limits: tuple[Fraction, Fraction] | None
) -> tuple[str, str]:
    rounded = half_up(value, figure.decimals)
    if rounded == figure.value:
        return "agree", ""
    if limits is not None and limits[0] < figure.high and limits[1] > figure.low:
        return "agree", WITHIN_ROUNDING
    if cut(value, figure.decimals) == figure.value:
        return "truncated", f"half-up rounding gives {written(rounded, figure.decimals)}"
    return "disagree", ""
