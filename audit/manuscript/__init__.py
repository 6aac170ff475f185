"""Whether the numbers of a manuscript agree with one another."""

from audit.manuscript.check import FINDING_COLUMNS, check_claims, denominators
from audit.manuscript.claim import TO_MEND, VERDICTS, Claim, Finding
from audit.manuscript.found import bare_percentages, claims_in_table, claims_in_texts
from audit.manuscript.kinds import KINDS, Kind
from audit.manuscript.reading import COLUMNS, claims_from
from audit.manuscript.sums import DeclaredSum

__all__ = [
    "COLUMNS",
    "FINDING_COLUMNS",
    "KINDS",
    "TO_MEND",
    "VERDICTS",
    "Claim",
    "DeclaredSum",
    "Finding",
    "Kind",
    "bare_percentages",
    "check_claims",
    "claims_from",
    "claims_in_table",
    "claims_in_texts",
    "denominators",
]
