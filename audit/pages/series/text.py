"""What the author must know and do: the study's fields, the open points, the references."""

from __future__ import annotations

import pandas as pd

from audit.document import PaperDocument, Paragraph
from audit.notebook_display import show_text
from audit.pages.showing import show
from audit.release.paper.numbering import numbers_of
from audit.series.case_series import CaseSeries
from audit.tables.series_flow import series_study_table
from audit.tables.shown import ShownTable


def show_study(series: CaseSeries) -> None:
    """What the author has said of the study, and what is still to be filled in."""
    show(series_study_table(series.plan))


def show_references(document: PaperDocument) -> None:
    """The references in the order in which the paper cites them."""
    cited = numbers_of(document).cited
    frame = pd.DataFrame(
        {
            "Number": [str(place) for place in range(1, len(cited) + 1)],
            "Source": [one.text for one in cited],
            "DOI": [one.doi or "none given" for one in cited],
        }
    )
    note = "DOI: digital object identifier."
    show(ShownTable(frame, "paper_references", "References of the paper", (note,)))


def show_open_points(document: PaperDocument) -> None:
    """What the author still has to write before the paper may leave."""
    notes = [block.text for block in document.blocks if isinstance(block, Paragraph) and block.note]
    show_text("\n".join(f"- {note}" for note in notes) or "Nothing is left open.")
