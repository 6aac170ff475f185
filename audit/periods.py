"""Quarters and days as people type them."""

from __future__ import annotations

import re

import pandas as pd

from audit.errors import UnusableInput


def parse_day(text: str, *, option: str) -> pd.Timestamp:
    """A day typed as YYYY-MM-DD. UnusableInput names the option and the form."""
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        day = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
        if not pd.isna(day):
            return day
    raise UnusableInput(f"{option} takes a day written as YYYY-MM-DD, for example 2026-09-30.")


def parse_quarter(text: str) -> pd.Period:
    """A quarter typed as 2026Q3. UnusableInput names the form."""
    if not re.fullmatch(r"\d{4}Q[1-4]", text):
        raise UnusableInput("--quarter takes a calendar quarter written like 2026Q3.")
    return pd.Period(text, freq="Q")


def last_day(quarter: pd.Period) -> pd.Timestamp:
    """The last day of a quarter, at midnight."""
    return quarter.end_time.normalize()


def last_complete_quarter(cutoff: pd.Timestamp) -> pd.Period:
    """The last calendar quarter that has ended by the cut-off day."""
    quarter = pd.Period(cutoff, freq="Q")
    return quarter if last_day(quarter) <= cutoff else quarter - 1
