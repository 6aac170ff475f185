"""The report of a notebook: complete, self-contained, readable by everyone, the same each time."""

from __future__ import annotations

import pathlib
import re
from html.parser import HTMLParser

import pytest
from nbformat import NotebookNode, v4

from audit.release import html as report
from audit.release.html import figures_in, report_html, tables_in
from audit.release.notebook_run import execute

#: elements that have no end tag (HTML Living Standard, 13.1.2 "Elements", void elements)
VOID = {
    *("area", "base", "br", "col", "embed", "hr", "img", "input"),
    *("link", "meta", "source", "track", "wbr"),
}

CELLS = [
    "# Title of the notebook",
    "Words & <b>raw</b> ![far](https://example.org/a.png) [paper](https://doi.org/10.1000/182)\n\n"
    "| a | b |\n|---|--:|\n| x | 1 |",
    "## Who is in it & why",
    "import pandas as pd\nimport sys, warnings\nfrom audit import notebook_display as show\n"
    "warnings.warn('to-stderr-only')\nprint('printed <i>')\nsys.stderr.write('to-stderr-only')\n"
    "frame = pd.DataFrame({'What': ['<b>odd</b>', '=1+1'], 'All': [1.5, None]})",
    "show.show_table(frame, name='first', caption='First <table>', notes=['A & B'])",
    "### Over time",
    "from matplotlib.figure import Figure\nfigure = Figure(figsize=(5, 3))\n"
    "figure.subplots().plot([1, 2], [3, 4], 'o-')\n"
    "show.show_figure(figure, name='line', caption='A line', alt='From \"3\" to 4.')",
    "show.show_cautions(['Few <cases>.'])",
    "show.show_text('## Healing\\n<script>alert(1)</script>\\n### Over time\\nAgain.')",
    "show.show_table(pd.concat([frame] * 20), name='second', caption='Second')\n"
    "show.show_figure(figure, name='again', caption='Again', alt='The same.')",
    "frame",
]


class _Page(HTMLParser):
    """Elements in order with their attributes and all text inside; refuses bad nesting."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None], list[str]]] = []
        self._open: list[tuple[str, dict[str, str | None], list[str]]] = []
        self.feed(text)
        self.close()
        assert not self._open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = (tag, dict(attrs), [])
        self.elements.append(element)
        if tag not in VOID:
            self._open.append(element)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        for element in self._open:
            element[2].append(data)

    def all(self, tag: str) -> list[tuple[dict[str, str | None], str]]:
        return [(attrs, "".join(texts)) for name, attrs, texts in self.elements if name == tag]

    def ids(self) -> list[str]:
        return [str(attrs["id"]) for _, attrs, _ in self.elements if "id" in attrs]


def _notebook(*cells: str) -> NotebookNode:
    made = [
        v4.new_markdown_cell(cell) if cell[:1] in ("#", "W") else v4.new_code_cell(cell)
        for cell in cells
    ]
    made.insert(1, v4.new_code_cell("secret_code = 1", metadata={"tags": ["settings"]}))
    return v4.new_notebook(cells=made)


@pytest.fixture(scope="module")
def run() -> NotebookNode:
    notebook = _notebook(*CELLS)
    for source in ("Words for the notebook only", "print('notebook-only-output')"):
        made = v4.new_markdown_cell if source.startswith("W") else v4.new_code_cell
        notebook.cells.append(made(source, metadata={"tags": ["notebook-only"]}))
    return execute(notebook, settings={})


@pytest.fixture(scope="module")
def text(run: NotebookNode) -> str:
    return report_html(run, title="Audit <2026>")


@pytest.fixture(scope="module")
def page(text: str) -> _Page:
    return _Page(text)


@pytest.fixture(scope="module")
def style() -> str:
    return (pathlib.Path(report.__file__).parent / "report_template/report.css").read_text()


def test_nothing_is_fetched_and_nothing_runs(page: _Page, text: str, style: str) -> None:
    assert not {"script", "link", "iframe", "object", "embed", "base"} & {
        tag for tag, _, _ in page.elements
    }
    for _, attrs, _ in page.elements:
        assert not any(name.startswith("on") for name in attrs)
        assert not {"srcset", "background", "poster", "action"} & set(attrs)
    sources = [str(attrs["src"]) for _, attrs, _ in page.elements if "src" in attrs]
    assert len(sources) == 2
    assert all(source.startswith("data:image/png;base64,") for source in sources)
    assert "url(" not in text
    assert "@import" not in style
    assert "http" not in style
    policy = [a["content"] for a, _ in page.all("meta") if "http-equiv" in a]
    assert policy == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_neither_code_nor_warnings_nor_notebook_only_cells_are_in_it(text: str) -> None:
    for left_out in ("secret_code", "import pandas", "to-stderr-only", "notebook-only", "In [1]"):
        assert left_out not in text
    assert "Words for the notebook" not in text
    assert "printed &lt;i&gt;" in text


def test_language_title_and_skip_link(page: _Page) -> None:
    assert page.all("html")[0][0]["lang"] == "en"
    assert page.all("title")[0][1] == "Audit <2026>" == page.all("h1")[0][1].strip()
    assert len(page.all("h1")) == 1
    first_link, _ = page.all("a")[0]
    assert first_link["href"] == "#" + str(page.all("main")[0][0]["id"])


def test_contents_list_holds_every_heading_and_resolves(page: _Page) -> None:
    inside = [a for a in page.all("a") if str(a[0]["href"]).startswith("#section-")]
    assert [name for _, name in inside] == [
        "Who is in it & why", "Over time", "Healing", "Over time"
    ]  # fmt: skip
    ids = page.ids()
    assert len(set(ids)) == len(ids)
    headings = {attrs["id"]: name for tag in ("h2", "h3") for attrs, name in page.all(tag)}
    for attrs, name in inside:
        assert headings[str(attrs["href"])[1:]] == name
    assert [t for t, _, _ in page.elements if re.fullmatch("h[1-6]", t)] == [
        "h1", "h2", "h2", "h3", "h2", "h3"
    ]  # fmt: skip


def test_figures_are_described_and_numbered(page: _Page, run: NotebookNode) -> None:
    assert [attrs["alt"] for attrs, _ in page.all("img")] == ['From "3" to 4.', "The same."]
    assert [name for _, name in page.all("figcaption")] == ["Figure 1. A line", "Figure 2. Again"]
    assert (page.all("img")[0][0]["width"], page.all("img")[0][0]["height"]) == ("480", "288")
    shown = figures_in(run)
    assert [(f.name, f.caption, f.alt) for f in shown] == [
        ("line", "A line", 'From "3" to 4.'),
        ("again", "Again", "The same."),
    ]
    assert all(figure.png.startswith(b"\x89PNG") for figure in shown)


def test_tables_are_numbered_and_scoped_and_scroll_in_their_own_box(page: _Page) -> None:
    assert [name for _, name in page.all("caption")] == [
        "Table 1. First <table>",
        "Table 2. Second",
    ]
    assert all(attrs.get("scope") in ("col", "row") for attrs, _ in page.all("th"))
    assert len(page.all("th")) == 2 + 4 + 42  # the table in the text, then two headed both ways
    boxes = [a for _, a, _ in page.elements if a.get("class") == "scroll"]
    assert [box["aria-label"] for box in boxes] == [
        "Table in the text", "Printed text", "Table 1", "Table 2", "Printed text"
    ]  # fmt: skip
    assert all(box["role"] == "region" and box["tabindex"] == "0" for box in boxes)
    kinds = [a["class"] for _, a, _ in page.elements if "table-block" in str(a.get("class"))]
    assert kinds == ["table-block short", "table-block"]


def test_what_people_typed_is_text_and_never_markup(page: _Page, text: str) -> None:
    cells = [name for tag in ("th", "td") for _, name in page.all(tag)]
    assert {"<b>odd</b>", "=1+1", "1.5", "–"} <= set(cells)
    assert not page.all("b")
    assert not page.all("i")
    assert "<script" not in text
    assert "Few &lt;cases&gt;." in text
    assert any(name == "A & B" for _, name in page.all("p"))


def test_html_that_is_not_ours_is_shown_as_its_text(page: _Page) -> None:
    last = page.all("pre")[-1][1]
    assert "<b>odd</b>" in last
    assert "What" in last


def test_tables_in_gives_the_cells_as_shown(run: NotebookNode) -> None:
    first, second = tables_in(run)
    assert (first.name, first.caption, first.notes) == ("first", "First <table>", ("A & B",))
    assert first.frame.to_dict(orient="list") == {
        "What": ["<b>odd</b>", "=1+1"],
        "All": ["1.5", "–"],
    }
    assert second.frame.shape == (40, 2)


def test_the_same_run_gives_the_same_bytes(text: str, run: NotebookNode) -> None:
    assert report_html(run, title="Audit <2026>") == text


def test_a_second_run_gives_the_same_bytes(text: str, run: NotebookNode) -> None:
    assert report_html(execute(run, settings={}), title="Audit <2026>") == text


def test_a_notebook_that_was_not_run_is_refused() -> None:
    with pytest.raises(ValueError, match="not run"):
        report_html(_notebook(*CELLS), title="t")


def _with_outputs(*outputs: NotebookNode) -> NotebookNode:
    cell = v4.new_code_cell("x", execution_count=1, outputs=list(outputs))
    return v4.new_notebook(cells=[cell])


def test_two_figures_or_tables_of_one_name_are_refused() -> None:
    figure = {"kind": "figure", "name": "a", "caption": "c", "alt": "d"}
    table = {"kind": "table", "name": "b", "caption": "c", "columns": [], "rows": [], "notes": []}
    for content, reader in ((figure, figures_in), (table, tables_in)):
        output = v4.new_output(
            "display_data", data={"image/png": "iVBORw0KGgo="}, metadata={"audit": content}
        )
        assert len(reader(_with_outputs(output))) == 1
        with pytest.raises(ValueError, match="one name"):
            reader(_with_outputs(output, output))


def test_a_picture_that_is_no_base64_cannot_break_out_of_its_attribute() -> None:
    output = v4.new_output("display_data", data={"image/png": 'x" onerror="alert(1)'})
    with pytest.raises(ValueError, match="not stored as base64"):
        report_html(_with_outputs(output), title="t")


def test_errors_and_html_of_others_are_left_out() -> None:
    outputs = [
        v4.new_output(
            "error", ename="ValueError", evalue="planted-4711", traceback=["planted-4711"]
        ),
        v4.new_output("display_data", data={"text/html": "<script>1</script>", "text/plain": "ok"}),
        v4.new_output("stream", name="stdout", text="\x1b[31mred\x1b[0m"),
    ]
    text = report_html(_with_outputs(*outputs), title="t")
    assert "planted" not in text
    assert "<script" not in text
    assert "\x1b" not in text
    assert ">ok</pre>" in text
    assert ">red</pre>" in text


def test_only_a_first_heading_of_level_one_gives_way_to_the_title() -> None:
    notebook = v4.new_notebook(
        cells=[v4.new_markdown_cell("## Before\n\n# Later\n\n#### Deep *one* & two")]
    )
    page = _Page(report_html(notebook, title="t"))
    assert [(a["id"], name) for a, name in page.all("h2")] == [
        ("contents", "Contents"), ("section-before", "Before"), ("section-later", "Later")
    ]  # fmt: skip
    assert page.all("h4")[0][0]["id"] == "section-deep-one-two"


def _luminance(colour: str) -> float:
    """Relative luminance, W3C Web Content Accessibility Guidelines 2.2, section 6."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    """Contrast ratio, the same section: (lighter + 0.05) / (darker + 0.05), from 1 to 21."""
    darker, lighter = sorted([_luminance(one), _luminance(other)])
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_of_text_and_of_marks(style: str) -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", style))
    grounds = ["#ffffff", colours["band"], colours["caution"]]
    for ground in grounds:
        for name in ("text", "soft", "link"):
            assert _contrast(colours[name], ground) >= 4.5, name  # criterion 1.4.3
    for name in ("rule", "caution-edge"):
        assert _contrast(colours[name], "#ffffff") >= 3.0, name  # criterion 1.4.11
    used = set(re.findall(r"#[0-9a-f]{6}", style.lower()))
    assert used <= set(colours.values()) | {"#ffffff"}


def test_paper(style: str) -> None:
    for rule in ("size: A4", "counter(page)", "table-header-group", "break-inside: avoid"):
        assert rule in style
