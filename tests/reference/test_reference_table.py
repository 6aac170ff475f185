"""The printed table of all reference checks: complete, inside tolerance, and able to fail."""

from __future__ import annotations

import pytest

from tests.benchmarks import reference_table
from tests.benchmarks.reference_table import ADAPTERS, LEFT_OUT, NO_ADAPTER
from tests.reference.checks import checks_of, methods


def test_the_table_has_every_check_and_nothing_outside(capsys):
    assert reference_table.main() == 0
    printed = capsys.readouterr().out.splitlines()
    assert not [line for line in printed if line.endswith("OUTSIDE")]
    assert sum(line.endswith(" inside") for line in printed) > 2000
    shown = {line.split()[0] for line in printed if line.endswith(" inside")}
    wanted = {check.id for name in ADAPTERS for check in checks_of(name)}
    assert shown == wanted
    for name in NO_ADAPTER:
        assert any(line.startswith(f"method without an adapter: {name}: ") for line in printed)


def test_every_method_is_covered_or_listed_with_its_reason():
    assert set(ADAPTERS) | set(NO_ADAPTER) == set(methods())
    assert not set(ADAPTERS) & set(NO_ADAPTER)
    assert all(NO_ADAPTER.values())


def test_every_key_left_out_is_in_the_file():
    for name, keys in LEFT_OUT.items():
        present = {key for check in checks_of(name) for key in check.expected}
        assert set(keys) <= present, name
        assert all(keys.values())


@pytest.mark.parametrize("wrong", [1.001, None, float("nan")])
def test_a_wrong_number_is_outside(monkeypatch, wrong):
    """One number of one adapter is spoilt: off by 0.1 %, lost, or not a number."""
    right = ADAPTERS["poisson_rate"]

    def spoilt(check):
        ours = dict(right(check))
        ours["upper"] = wrong and ours["upper"] * wrong
        return ours

    only = {"poisson_rate": spoilt}
    monkeypatch.setattr(reference_table, "ADAPTERS", only)
    outside = [row for row in reference_table.all_rows() if not row.inside]
    assert {row.path for row in outside} == {"upper"}
    assert len(outside) == len(checks_of("poisson_rate"))
    assert reference_table.main() == 1


def test_a_key_without_our_number_is_outside(monkeypatch):
    right = ADAPTERS["poisson_rate"]
    less = {"poisson_rate": lambda check: {"rate": right(check)["rate"]}}
    monkeypatch.setattr(reference_table, "ADAPTERS", less)
    outside = {row.path for row in reference_table.all_rows() if not row.inside}
    assert outside == {"lower", "upper"}
