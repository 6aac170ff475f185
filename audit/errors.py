"""Errors of the person at the keyboard: shown as one clear message, without a traceback."""

from __future__ import annotations


class UnusableInput(Exception):
    """The source or an option cannot be used. The message says what, where and what to do; it
    never holds a value of a patient."""
