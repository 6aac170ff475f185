"""A database as a source: one read-only transaction, bound parameters, plain refusals."""

from audit.intake.database.source import open_database

__all__ = ["open_database"]
