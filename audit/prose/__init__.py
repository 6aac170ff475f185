"""The texts of a case-series paper, filled from the run, and the paper as plain content."""

from audit.prose.paper import case_series_document

__all__ = ["case_series_document"]
