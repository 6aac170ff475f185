"""Figures as journals take them: at the width of one column and of the page, in four forms."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from audit.document import FigureBlock

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: dots an inch: halftone, and above what is asked of pictures with lines and letters
RESOLUTIONS = (300, 600)
VECTORS = ("pdf", "svg")
#: presets of journals, and the one of a document
COLUMNS = ("single", "full")
TEXT = "text"


@dataclasses.dataclass(frozen=True)
class JournalFigure:
    """files: file name -> content. taken_out: heading and footnote of the figure, which belong to
    the caption of a journal. obstacles: why a width is missing, one sentence each."""

    files: dict[str, bytes]
    taken_out: tuple[str, ...]
    obstacles: tuple[str, ...]


def journal_figure(figure: Figure, *, name: str) -> JournalFigure:
    """The files of a figure: `<name>_<preset>_<dpi>dpi.png`, `<name>_<preset>.pdf` and `.svg`.

    Presets `single` (90 mm) and `full` (190 mm), see `audit.figures.journal`; a preset at which the
    figure could not be read is left out. Equal figures give equal bytes.
    """
    from audit.figures import journal  # here, so that other commands do not pay for it

    files: dict[str, bytes] = {}
    obstacles = []
    for preset in COLUMNS:
        found = journal.fit(figure, preset=preset)
        if found.obstacle:
            obstacles.append(found.obstacle)
            continue
        for dpi in RESOLUTIONS:
            content = journal.journal_picture(figure, found, form="png", dpi=dpi)
            files[f"{name}_{preset}_{dpi}dpi.png"] = content
        for form in VECTORS:
            files[f"{name}_{preset}.{form}"] = journal.journal_picture(figure, found, form=form)
    return JournalFigure(files, journal.taken_out(figure), tuple(obstacles))


def figure_block(figure: Figure, *, name: str, caption: str, alt: str) -> FigureBlock:
    """A figure for a document: at the width of its text, its footnote moved into the caption.

    The heading inside the figure is left out, for the caption says it. A figure that cannot be
    read so is taken as it is.
    """
    from audit.figures import journal
    from audit.figures.style import picture

    found = journal.fit(figure, preset=TEXT)
    if found.obstacle:
        return FigureBlock(name, caption, alt, picture(figure, dpi=RESOLUTIONS[0]))
    png = journal.journal_picture(figure, found, form="png", dpi=RESOLUTIONS[0])
    foot = journal.footnote(figure)
    words = f"{caption.rstrip('.')}. {foot}" if foot else caption
    return FigureBlock(name, words, alt, png, journal.PRESETS[TEXT].width_mm)
