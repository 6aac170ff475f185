"""A figure with its words, made once for the notebook, the paper and the journal."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclasses.dataclass(frozen=True, eq=False)
class Drawn:
    """A figure with the words that go with it. caption: says time zero, event and censoring where
    the figure shows times. alt: for those who cannot see it."""

    name: str
    caption: str
    alt: str
    figure: Figure
