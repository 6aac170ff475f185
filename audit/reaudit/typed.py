"""Texts of an archive beside today's values."""

from __future__ import annotations

import numpy as np
import pandas as pd

RELATIVE, ABSOLUTE = 1e-9, 1e-12


def typed_like(texts: pd.DataFrame, model: pd.DataFrame) -> pd.DataFrame:
    """The texts of an archive as values of the kinds of today's columns; what does not read as
    such stays a text, and so differs from any value."""
    out = {}
    for name in texts:
        text = texts[name]
        kind = model[name].dtype.kind if name in model else "O"
        if kind == "M":
            value = pd.to_datetime(text, format="%Y-%m-%d", errors="coerce")
        elif kind in "fiu":
            value = pd.to_numeric(text, errors="coerce")
        elif kind == "b":
            value = text.map({"yes": True, "no": False}).astype("boolean")
        else:
            value = text.where(text != "")
        unread = value.isna() & (text != "") & text.notna()
        out[name] = value.astype(object).mask(unread, text) if unread.any() else value
    return pd.DataFrame(out, index=texts.index)


def differs(one: pd.Series, two: pd.Series) -> pd.Series:
    """True where two columns hold different values; both missing is no difference."""
    gone, missing = one.isna(), two.isna()
    if one.dtype.kind in "fiu" and two.dtype.kind in "fiu":
        near = np.isclose(
            one.to_numpy(dtype=float), two.to_numpy(dtype=float), rtol=RELATIVE, atol=ABSOLUTE
        )
    elif one.dtype.kind == "M" and two.dtype.kind == "M":
        near = (one == two).to_numpy()
    else:
        near = (one.map(shown) == two.map(shown)).to_numpy()
    return (gone != missing) | ~(gone & missing) & ~near


def shown(value: object) -> str:
    """A value as a short text; empty when it is missing."""
    if pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, float | np.floating):
        return f"{value:.10g}"
    return str(value)
