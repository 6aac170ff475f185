"""Results of several centres together, without a row of a patient leaving any of them."""

from __future__ import annotations

from audit.pooling.build import aggregate
from audit.pooling.criteria import pool_criteria
from audit.pooling.funnel import funnel_input, funnels
from audit.pooling.pool import CAUTION, pool
from audit.pooling.released import controlled_aggregate, released_aggregate

__all__ = [
    "CAUTION",
    "aggregate",
    "controlled_aggregate",
    "funnel_input",
    "funnels",
    "pool",
    "pool_criteria",
    "released_aggregate",
]
