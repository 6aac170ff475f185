"""The cited references as BibTeX, for a reference manager or for LaTeX."""

from __future__ import annotations

from collections.abc import Sequence

from audit.document import Reference
from audit.release.paper.latex_tables import escaped


def bibtex(references: Sequence[Reference]) -> str:
    """One `@misc` entry a reference, in their order: the citation as printed, and its DOI.

    The printed citation is not taken apart: authors and titles guessed from a text are wrong too
    often. A reference manager completes an entry from its DOI. An empty text without references.
    """
    return "\n".join(_entry(reference) for reference in references)


def _entry(reference: Reference) -> str:
    fields = [f"  note = {{{escaped(reference.text)}}}"]
    if reference.doi:
        # A DOI goes to a link, not to the page, so it is not escaped (hyperref reads it as it is).
        fields.append(f"  doi = {{{reference.doi}}}")
        fields.append(f"  url = {{https://doi.org/{reference.doi}}}")
    lines = ",\n".join(fields)
    return f"@misc{{{reference.key},\n{lines}\n}}\n"
