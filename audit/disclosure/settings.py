"""The settings of disclosure control, under the name that this stage uses."""

from audit.disclosure_rules import (
    DECISION_RULES,
    PRECISION,
    ZEROS,
    ControlSettings,
    Decision,
)

__all__ = ["DECISION_RULES", "PRECISION", "ZEROS", "ControlSettings", "Decision"]
