"""A small paper with everything in it that can go wrong; invented numbers."""

from __future__ import annotations

import io

import pandas as pd
from matplotlib.figure import Figure

from audit.document import (
    FigureBlock,
    Heading,
    Keyed,
    PaperDocument,
    Paragraph,
    Reference,
    TableBlock,
)
from audit.figures.style import drawn, picture, sheet
from audit.tables.shown import ShownTable

KEY = ("healing_index_days_per_cm", "mean", "all", "all", "all")


@drawn
def points(count: int = 6, *, labels: int = 0) -> Figure:
    """A figure of the kit's look: heading, panel, footnote, labels at its right."""
    page_title, foot = "Healing index by case", "Points = cases. n = 6 of 8 cases."
    figure, (axis,) = sheet([2.0], title=page_title, foot=foot)
    axis.plot(range(count), range(count), "o")
    axis.set_xlabel("Cases in order of surgery")
    axis.set_xticks(range(count), [f"{100 + number}" for number in range(count)])
    for number in range(labels):
        axis.text(1.02, number / 4, f"A label of the group {number}", transform=axis.transAxes)
    return figure


def narrow_table(name: str = "series_flow", rows: int = 3) -> ShownTable:
    """Three columns, one of them bare numbers."""
    frame = pd.DataFrame(
        {
            "Step": [f"Step {number} & more, 5% of <all>" for number in range(rows)],
            "Cases": [str(118 - number) for number in range(rows)],
            "Share (95% CI)": [f"{number}/118 (0%; 0% to 3%)" for number in range(rows)],
        }
    )
    return ShownTable(frame, name, "Who was in [@record]", ("CI: confidence interval [@wilson].",))


def wide_table(name: str = "series_outcomes") -> ShownTable:
    """Nine columns that no upright page holds."""
    interval = ["\N{MINUS SIGN}14.7 (\N{MINUS SIGN}16.4 to \N{MINUS SIGN}13.3)", None]
    frame = pd.DataFrame({f"Group of devices {number}": interval for number in range(9)})
    frame.insert(0, "Outcome", ["Achieved minus planned gain (mm)", "Length lost (mm)"])
    return ShownTable(frame, name, "Outcomes by group", ("SD: standard deviation.",))


def png(*, width: int = 40, height: int = 30) -> bytes:
    """A plain picture."""
    from PIL import Image

    out = io.BytesIO()
    Image.new("RGB", (width, height), "white").save(out, format="png")
    return out.getvalue()


REFERENCES = (
    Reference(
        "wilson", "Wilson EB. J Am Stat Assoc 1927;22:209-212.", "10.1080/01621459.1927.10502953"
    ),
    Reference("strobe", "von Elm E. PLoS Med 2007;4:e296.", "10.1371/journal.pmed.0040296"),
    Reference("record", "Benchimol EI. PLoS Med 2015;12:e1001885."),
    Reference("altman", "Bland JM & Altman DG. Stat Methods Med Res 1999;8:135-160."),
    Reference("never", "Never cited."),
)


def paper(*, rows: int = 3) -> PaperDocument:
    """Headings, texts, two tables, a figure, four of five references cited."""
    return PaperDocument(
        title="Lengthening of the femur & tibia: a case series",
        blocks=(
            Heading("Methods"),
            Paragraph(("As asked for [@strobe]. Who was in: [#series_flow].",)),
            Paragraph(("Give the approval.",), note=True),
            TableBlock(narrow_table(rows=rows)),
            Heading("Results"),
            Paragraph(
                (
                    "The mean was ",
                    Keyed("36.9", KEY),
                    " days/cm (",
                    Keyed("34.6", KEY, "low"),
                    ") [@strobe][@record; @wilson], see [#series_points].",
                )
            ),
            FigureBlock(
                "series_points", "Every case [@altman]", "Six points, rising.", picture(points())
            ),
            Heading("Outcomes", 2),
            TableBlock(wide_table()),
            Heading("Discussion"),
            Paragraph(("The end.",)),
        ),
        references=REFERENCES,
        subject="Case series",
        keywords=("case series", "bone lengthening"),
    )
