"""Exact summary tables of a run, before anything is done to let them leave the department."""
