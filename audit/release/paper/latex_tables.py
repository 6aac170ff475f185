"""Tables for a paper written in LaTeX: one file a table, ready for `\\input`.

Rules as the package booktabs draws them (top, under the headings, bottom; none upright). Needs
booktabs and array; a long table also longtable, a turned one also pdflscape; the first line of a
file says which. Widths are those of A4 paper with margins of 25 mm. Written for LaTeX2e with UTF-8
input, its default since 2018.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from audit.notebook_display import NO_ROWS
from audit.release.paper.numbering import Cited, Numbers, Pointed, cells_of, plain, signs_of
from audit.release.paper.table_layout import Layout, layout_of
from audit.tables.shown import ShownTable

#: more rows than this do not fit one page with their caption
LONGEST = 30
#: letters that mean something to LaTeX or that its fonts do not hold as they are
_ESCAPES = {
    "\\": r"\textbackslash{}",
    "{": r"\{",
    "}": r"\}",
    "$": r"\$",
    "&": r"\&",
    "#": r"\#",
    "%": r"\%",
    "_": r"\_",
    "^": r"\textasciicircum{}",
    "~": r"\textasciitilde{}",
    "<": r"\textless{}",
    ">": r"\textgreater{}",
    "|": r"\textbar{}",
    '"': "''",
    "\N{NO-BREAK SPACE}": "~",
    "\N{NARROW NO-BREAK SPACE}": r"\,",
    "\N{NON-BREAKING HYPHEN}": r"\mbox{-}",
    "\N{MINUS SIGN}": r"\ensuremath{-}",
    "\N{EN DASH}": r"\textendash{}",
    "\N{EM DASH}": r"\textemdash{}",
    "\N{PLUS-MINUS SIGN}": r"\ensuremath{\pm}",
    "\N{MULTIPLICATION SIGN}": r"\ensuremath{\times}",
    "\N{LESS-THAN OR EQUAL TO}": r"\ensuremath{\leq}",
    "\N{GREATER-THAN OR EQUAL TO}": r"\ensuremath{\geq}",
    "\N{ALMOST EQUAL TO}": r"\ensuremath{\approx}",
    "\N{NOT EQUAL TO}": r"\ensuremath{\neq}",
    "\N{INFINITY}": r"\ensuremath{\infty}",
    "\N{RIGHTWARDS ARROW}": r"\ensuremath{\rightarrow}",
    "\N{SQUARE ROOT}": r"\ensuremath{\surd}",
    "\N{DEGREE SIGN}": r"\textdegree{}",
    "\N{MICRO SIGN}": r"\textmu{}",
    "\N{MIDDLE DOT}": r"\textperiodcentered{}",
    "\N{BULLET}": r"\textbullet{}",
    "\N{HORIZONTAL ELLIPSIS}": r"\dots{}",
    "\N{DAGGER}": r"\textdagger{}",
    "\N{DOUBLE DAGGER}": r"\textdaggerdbl{}",
    "\N{SUPERSCRIPT TWO}": r"\textsuperscript{2}",
    "\N{SUPERSCRIPT THREE}": r"\textsuperscript{3}",
    "\N{LEFT SINGLE QUOTATION MARK}": "`",
    "\N{RIGHT SINGLE QUOTATION MARK}": "'",
    "\N{LEFT DOUBLE QUOTATION MARK}": "``",
    "\N{RIGHT DOUBLE QUOTATION MARK}": "''",
}
_GREEK = (
    "alpha beta gamma delta epsilon zeta eta theta iota kappa lambda mu nu xi pi rho sigma tau "
    "phi chi psi omega"
)
_ESCAPES |= {
    chr(code): rf"\ensuremath{{\{name}}}"
    for name, code in zip(
        _GREEK.split(), [*range(0x3B1, 0x3BF), 0x3C0, 0x3C1, *range(0x3C3, 0x3C5),
                         *range(0x3C6, 0x3CA)], strict=True
    )
}  # fmt: skip
_TABLE = str.maketrans(_ESCAPES)
_CONTROL = re.compile("[\u0000-\u0008\u000b-\u001f\u007f]")


def latex_table(table: ShownTable, numbers: Numbers) -> str:
    """A table as LaTeX with caption, label `tab:<name>`, rules and notes, ending with a line end.

    Cells, headings, caption and notes are escaped; citations become `\\cite`, pointers `\\ref`. The
    heading row is repeated where the table runs over pages. A table without rows says so.
    """
    headings, rows = cells_of(table)
    shown = [[plain(text, numbers) for text in line] for line in [headings, *rows]]
    layout = layout_of(table, shown[0], shown[1:])
    head = _row([rf"\textbf{{{latex_text(text, numbers)}}}" for text in headings])
    body = [_row([latex_text(text, numbers) for text in row]) for row in rows]
    caption = rf"\caption{{{latex_text(table.caption, numbers)}}}\label{{tab:{table.name}}}"
    notes = [latex_text(note, numbers) for note in (*table.notes, *([] if rows else [NO_ROWS]))]
    is_long = len(rows) > LONGEST
    lines = (_long if is_long else _short)(_columns(layout), caption, head, body)
    lines = _with_notes(lines, notes, is_long=is_long)
    if layout.turned:
        lines = [r"\begin{landscape}", *lines, r"\end{landscape}"]
    packages = ["booktabs", "array", *["longtable"] * is_long, *["pdflscape"] * layout.turned]
    return "\n".join([f"% needs: {', '.join(packages)}", *lines]) + "\n"


def latex_text(text: str, numbers: Numbers) -> str:
    """A text with its citations and pointers, everything else escaped."""
    out = []
    for sign in signs_of(text):
        if isinstance(sign, Cited):
            out.append(rf"\cite{{{','.join(sign.keys)}}}")
        elif isinstance(sign, Pointed):
            kind = numbers.label(sign.name).split()[0]
            short = "tab" if kind == "Table" else "fig"
            out.append(rf"{kind}~\ref{{{short}:{sign.name}}}")
        else:
            out.append(escaped(sign))
    return "".join(out)


def escaped(text: str) -> str:
    """The text as LaTeX prints it letter by letter; line ends become blanks."""
    flat = _CONTROL.sub("", text.replace("\r\n", "\n").replace("\t", " ")).replace("\n", " ")
    # Two hyphens would melt into a dash.
    return re.sub("-(?=-)", "-{}", flat.translate(_TABLE))


def _row(cells: Sequence[str]) -> str:
    # After a line's end LaTeX takes "[" and "*" for options of that end.
    guarded = [f"{{{cell[0]}}}{cell[1:]}" if cell[:1] in ("[", "*") else cell for cell in cells]
    return " & ".join(guarded) + r" \\"


def _columns(layout: Layout) -> str:
    """Columns of fixed width; the white between them, 2 tabcolsep, is part of the width."""
    sides = {True: r"\raggedleft", False: r"\raggedright"}
    return "".join(
        rf">{{{sides[right]}\arraybackslash}}p{{\dimexpr {width:.1f}mm-2\tabcolsep\relax}}"
        for width, right in zip(layout.widths_mm, layout.right, strict=True)
    )


def _short(columns: str, caption: str, head: str, body: Sequence[str]) -> list[str]:
    return [
        r"\begin{table}[htbp]",
        r"\footnotesize",
        r"\setlength{\tabcolsep}{1.5mm}",
        caption,
        rf"\begin{{tabular}}{{{columns}}}",
        r"\toprule",
        head,
        r"\midrule",
        *body,
        r"\bottomrule",
        r"\end{tabular}",
        r"\end{table}",
    ]


def _long(columns: str, caption: str, head: str, body: Sequence[str]) -> list[str]:
    return [
        r"\begingroup",
        r"\footnotesize",
        r"\setlength{\tabcolsep}{1.5mm}",
        rf"\begin{{longtable}}{{{columns}}}",
        rf"{caption} \\",
        r"\toprule",
        head,
        r"\midrule",
        r"\endfirsthead",
        r"\toprule",
        head,
        r"\midrule",
        r"\endhead",
        r"\bottomrule",
        r"\endfoot",
        *body,
        r"\end{longtable}",
        r"\endgroup",
    ]


def _with_notes(lines: list[str], notes: Sequence[str], *, is_long: bool) -> list[str]:
    """The notes under the table, before its last line so that they stay with it."""
    if not notes:
        return lines
    under = [r"\vspace{-\medskipamount}" if is_long else r"\par\smallskip"]
    under += [rf"\noindent {note}\par" for note in notes]
    return [*lines[:-1], *under, lines[-1]]
