"""Claims of published papers, each with the verdict that was reached by hand before the kit.

data/manuscript_claims_published.csv: the numbers as printed in abstracts and tables (source in each
row), what they were recomputed to be and the verdict. Other outside values stand beside the test.
"""

from __future__ import annotations

import itertools
import math
import pathlib
import random
import re
import statistics
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from audit.manuscript import COLUMNS, Claim, check_claims, claims_from
from audit.manuscript.kinds import KINDS
from audit.manuscript.numbers import Printed, cut, half_up, printed, written

PUBLISHED = pathlib.Path(__file__).parent / "data" / "manuscript_claims_published.csv"


def published() -> pd.DataFrame:
    frame = pd.read_csv(PUBLISHED, dtype=str, keep_default_na=False)
    return frame.assign(row=range(2, len(frame) + 2))


@pytest.fixture(scope="module")
def findings() -> pd.DataFrame:
    given = published()
    read = claims_from(given[[*COLUMNS, "row"]], name=PUBLISHED.name)
    found = check_claims(read)
    assert len(found) == len(given)
    return found.assign(**{name: given[name] for name in given if name.startswith("expected")})


@pytest.mark.parametrize("row", published().to_dict("records"), ids=lambda row: row["claim"])
def test_a_published_claim_gets_its_verdict(row, findings):
    found = findings.loc[findings["claim"] == row["claim"]].iloc[0]
    assert found["verdict"] == row["expected_verdict"], found["note"]
    assert row["source"]


def number(text: str) -> float | None:
    found = printed(text.replace("-", "\N{MINUS SIGN}"))
    return None if found is None else float(found.value)


def test_what_was_recomputed_is_what_was_recomputed_by_hand(findings):
    compared = 0
    for _, row in findings.iterrows():
        expected = number(row["expected_recomputed"])
        if expected is not None and not math.isnan(row["value"]):
            # the hand figure is rounded: half a unit of its last digit
            digits = row["expected_recomputed"].rstrip("%").partition(".")[2]
            step = 0.5 * 10 ** -len(digits)
            assert row["value"] == pytest.approx(expected, abs=1.001 * step), row["claim"]
            compared += 1
    assert compared > 130


def test_pairs_and_ranges_are_those_found_by_hand(findings):
    for claim, expected in (
        ("056 tangadulrat", "6/23 = 26.09%, 12/46 = 26.09%"),
        ("057 tangadulrat", "9/28 = 32.14%, 17/53 = 32.08%, 18/56 = 32.14%"),
        ("062 bmc-2023-06527", "14/19 = 73.68%"),
        ("021 fuermetz-2017-humerus", "10.0 to 25.0"),
    ):
        found = findings.loc[findings["claim"] == claim, "recomputed"].item()
        assert found == expected
    note = findings.loc[findings["claim"] == "067 bmc-2023-06527", "note"].item()
    assert "13/18 = 72.22%" in note and "11/15 would give it" in note


def test_intervals_in_the_notes_are_those_of_the_check_file(findings):
    compared = 0
    for _, row in findings.iterrows():
        found = re.search(
            r"Wilson95 ([\d.]+)-([\d.]+); exact95 ([\d.]+)-([\d.]+)", row["expected_note"]
        )
        if found:
            wilson, exact = found.groups()[:2], found.groups()[2:]
            assert f"Wilson {wilson[0]} to {wilson[1]}" in row["note"]
            assert f"exact {exact[0]} to {exact[1]}" in row["note"]
            compared += 1
    assert compared >= 25


def verdict(**cells: object) -> tuple[str, str]:
    """The verdict and its note for one claim written with texts."""
    row = {"claim": "one", "row": 2, **{name: str(value) for name, value in cells.items()}}
    found = check_claims(claims_from(pd.DataFrame([row]), name="one.csv")).iloc[0]
    return found["verdict"], found["note"]


@pytest.mark.parametrize(
    ("mean", "n"),
    [
        # R package vignette on the method of Brown & Heathers 2017, read: 5.27 cannot come of 43
        ("5.27", 43),
        # encyclopaedia article on the same method, read: 20 dice cannot give 3.48
        ("3.48", 20),
        # Brown & Heathers 2017 (their worked example, from memory): 28 answers, 5.19
        ("5.19", 28),
        # a newspaper's account of it, read: 49 answers, 5.93
        ("5.93", 49),
    ],
)
def test_means_of_whole_numbers_known_to_be_impossible(mean, n):
    found, _ = verdict(kind="mean_of_whole_numbers", printed=mean, n=n)
    # 227/43 = 5.279 and 291/49 = 5.939: what is printed can only have been cut
    assert found == ("truncated" if n in (43, 49) else "disagree")


def test_means_of_whole_numbers_that_are_possible():
    assert verdict(kind="mean_of_whole_numbers", printed="5.18", n=28)[0] == "attainable"
    assert verdict(kind="mean_of_whole_numbers", printed="3.45", n=20)[0] == "attainable"


@pytest.mark.parametrize(
    ("low", "high", "name"),
    [
        # Newcombe RG. Stat Med 1998;17:857-872, Table I, 81 of 263 (from memory)
        ("25.5", "36.6", "Wilson"),
        ("25.3", "36.8", "exact"),
        ("25.2", "36.4", "Wald"),
    ],
)
def test_the_interval_of_a_share_is_named(low, high, name):
    found, note = verdict(kind="interval_behind_share", parts=81, total=263, low=low, high=high)
    assert (found, name in note) == ("agree", True)


def test_an_interval_of_no_known_method_is_refused():
    cells = {"kind": "interval_behind_share", "parts": 81, "total": 263}
    assert verdict(**cells, low="27.0", high="35.0")[0] == "disagree"


# --- slow twins: the bounds against every sample that there is -------------------------------------
def samples(size: int, top: int):
    """Every sample of whole numbers from 0 to top that holds both ends."""
    for inner in itertools.combinations_with_replacement(range(top + 1), size - 2):
        yield (0, top, *inner)


@pytest.mark.parametrize(("size", "top"), [(2, 3), (3, 6), (4, 6), (5, 4), (6, 4)])
def test_every_sample_passes_and_the_bounds_are_met(size, top):
    from audit.manuscript.spreads import _largest_squares, _smallest_squares

    squares = []
    ends = (Fraction(0), Fraction(top))
    for sample in samples(size, top):
        mean = Fraction(sum(sample), size)
        spread = sum((value - mean) ** 2 for value in sample)
        squares.append(spread)
        exact = Printed(mean, 12)
        assert spread <= _largest_squares(exact, ends, size) + Fraction(1, 10**9)
        assert spread >= _smallest_squares(exact, ends, size) - Fraction(1, 10**9)
    # without the mean the largest is met exactly, and the smallest by a half-way value
    assert max(squares) == _largest_squares(None, ends, size)
    if top % 2 == 0 or size == 2:
        assert min(squares) == _smallest_squares(None, ends, size)


def test_what_was_printed_honestly_is_never_refused():
    chance = random.Random(11)
    for _ in range(300):
        size, decimals = chance.randint(2, 40), chance.randint(0, 2)
        values = [round(chance.uniform(5, 90), 2) for _ in range(size)]
        show = lambda number: written(Fraction(number), decimals)  # noqa: E731, B023
        cells = {
            "low": show(min(values)), "high": show(max(values)), "n": size,
            "parts": show(statistics.fmean(values)), "printed": show(statistics.stdev(values)),
        }  # fmt: skip
        assert verdict(kind="sd_possible", **cells)[0] == "agree", cells
        cells |= {"printed": cells.pop("parts")}
        assert verdict(kind="inside_range", **cells)[0] == "agree", cells


def test_indices_printed_honestly_are_never_refused():
    chance = np.random.default_rng(12)
    for _ in range(300):
        size = int(chance.integers(2, 30))
        rate = chance.uniform(0.4, 1.4, size)
        latency, after = chance.uniform(0.5, 3, size), chance.uniform(5, 40, size)
        per_cm = 10 / rate
        mean_rate, mean_index = (written(Fraction(x.mean()), 2) for x in (rate, per_cm))
        shared = {"unit": "days/cm"}
        cells = {"kind": "mean_reciprocal", "parts": mean_rate, "printed": mean_index}
        assert verdict(**cells, **shared)[0] == "agree"
        ends = [written(Fraction(x), 2) for x in (rate.min(), rate.max())]
        spans = [written(Fraction(x), 1) for x in (per_cm.min(), per_cm.max())]
        cells = {"kind": "reciprocal_range", "parts": ";".join(ends)}
        assert verdict(**cells, low=spans[0], high=spans[1], **shared)[0] == "agree"
        whole = written(Fraction((latency + per_cm + after).mean()), 1)
        rest = written(Fraction(after.mean()), 1)
        cells = {"kind": "index_algebra", "parts": f"{whole};{rest}", "printed": mean_rate}
        assert verdict(**cells, **shared)[0] in ("agree", "not-identifiable")


def test_every_percentage_of_a_count_is_attainable_and_agrees():
    for total in range(1, 90):
        for count in range(total + 1):
            shown = written(Fraction(100 * count, total), 1)
            claim = Claim(
                "x", "percentage_attainable", total=printed(str(total)), printed=printed(shown)
            )
            assert KINDS["percentage_attainable"].check(claim).verdict == "attainable"
    # three dogs (McCartney 2008, rows read): 17.43 days/cm as a mean of ratios, 13.53 as a ratio
    assert verdict(kind="ratio_of_means", parts="67.667;5", printed="17.43")[0] == "definition"


# --- rounding -------------------------------------------------------------------------------------
@pytest.mark.parametrize("decimals", [0, 1, 2, 3])
def test_rounding_agrees_with_the_decimal_module(decimals):
    import decimal

    chance = random.Random(5)
    for _ in range(2000):
        text = f"{chance.uniform(-50, 50):.{chance.randint(0, 5)}f}"
        step = decimal.Decimal(1).scaleb(-decimals)
        number = Fraction(decimal.Decimal(text))
        for mine, rule in ((half_up, decimal.ROUND_HALF_UP), (cut, decimal.ROUND_DOWN)):
            expected = decimal.Decimal(text).quantize(step, rule)
            assert mine(number, decimals) == Fraction(expected)


def test_rounding_in_the_tables_and_in_the_check_are_the_same_policy():
    from audit.wording import rounded

    chance = random.Random(6)
    for _ in range(2000):
        number, decimals = chance.uniform(-900, 900), chance.randint(0, 3)
        assert written(Fraction(repr(number)), decimals) == rounded(number, decimals)
