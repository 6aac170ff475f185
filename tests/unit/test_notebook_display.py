"""What notebooks show: exact content, safe, the same bytes each time."""

from __future__ import annotations

import base64
import re
import struct
import subprocess
import sys
from html.parser import HTMLParser

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from audit import notebook_display as show


@pytest.fixture
def figure() -> Figure:
    figure = Figure(figsize=(6.25, 4.0))
    figure.subplots().plot([0, 1, 2], [3, 1, 2], "o-")
    return figure


@pytest.fixture
def frame() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Characteristic": ["Age, years", "<b>Femur</b>", "=1+1"],
            "All": ["14.2 (11.0 to 17.1)", "12 (30 %)", None],
            "Seen": pd.to_datetime(["2026-01-02", "2026-02-03", None]),
            "Share": [0.1 + 0.2, 2.0, float("nan")],
            "Agreed": pd.array([True, False, None], dtype="boolean"),
            "Remark": ["a", "12 months later", "not estimable"],
        }
    )


class _Elements(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def _size_of_png(data: bytes) -> tuple[int, int]:
    """W3C Portable Network Graphics (Third Edition), 5.2 and 11.2.1: signature, then the header
    chunk with width and height as four bytes each, most significant first."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    assert data[12:16] == b"IHDR"
    return struct.unpack(">II", data[16:24])


def test_figure_has_the_size_of_the_figure_whatever_the_settings_say(figure: Figure) -> None:
    with mpl.rc_context({"savefig.bbox": "tight", "savefig.dpi": 50, "savefig.facecolor": "red"}):
        data, metadata = show.figure_output(figure, name="a", caption="c", alt="d")
    png = base64.b64decode(data["image/png"], validate=True)
    assert _size_of_png(png) == (900, 576)  # 6.25 x 4 inches at 144 dots an inch
    assert metadata["image/png"] == {"width": 600, "height": 384, "alt": "d"}  # at 96
    assert metadata["audit"] == {"kind": "figure", "name": "a", "caption": "c", "alt": "d"}
    assert data["text/plain"] == "c"


def test_figure_gives_the_same_bytes_twice(figure: Figure) -> None:
    first, second = (
        show.figure_output(figure, name="a", caption="c", alt="d")[0] for _ in range(2)
    )
    assert first == second
    assert b"matplotlib" not in base64.b64decode(first["image/png"]).lower()


@pytest.mark.parametrize("missing", ["caption", "alt"])
def test_figure_without_words_is_refused(figure: Figure, missing: str) -> None:
    texts = {"caption": "c", "alt": "d", missing: "  "}
    with pytest.raises(ValueError, match=f"{missing} is empty"):
        show.figure_output(figure, name="a", **texts)


@pytest.mark.parametrize("name", ["", "A", "../a", "a b", "1a", "a.png"])
def test_names_that_are_no_file_names_are_refused(frame: pd.DataFrame, name: str) -> None:
    with pytest.raises(ValueError, match="becomes a file name"):
        show.table_output(frame, name=name, caption="c")


def test_cells_read_as_a_person_expects(frame: pd.DataFrame) -> None:
    content = show.table_output(frame, name="t", caption="c")[1]["audit"]
    assert content["rows"] == [
        ["Age, years", "14.2 (11.0 to 17.1)", "2026-01-02", "0.3", "yes", "a"],
        ["<b>Femur</b>", "12 (30 %)", "2026-02-03", "2", "no", "12 months later"],
        ["=1+1", "–", "–", "–", "–", "not estimable"],
    ]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1234567.0, "1234567"),
        (np.float64(2) / 3, "0.6666666667"),
        (np.int64(-5), "-5"),
        (np.bool_(True), "yes"),
        (pd.Timestamp("2026-03-01 14:05"), "2026-03-01 14:05"),
        (pd.NA, "–"),
        (pd.NaT, "–"),
        ("", ""),
    ],
)
def test_cell_text(value: object, text: str) -> None:
    assert show.cell_text(value) == text


def test_numbers_stand_right_and_words_left(frame: pd.DataFrame) -> None:
    content = show.table_output(frame, name="t", caption="c")[1]["audit"]
    assert content["numeric"] == [False, True, True, True, False, False]
    numbers = pd.DataFrame({"what": ["a", "b", "c"], "value": ["−3.1", "≥5", "not estimable"]})
    assert show.table_output(numbers, name="t", caption="c")[1]["audit"]["numeric"][1]


def test_every_heading_has_a_scope_and_every_text_is_escaped(frame: pd.DataFrame) -> None:
    data, _ = show.table_output(
        frame.rename(columns={"All": "All <i>"}), name="t", caption="<u>c</u>", notes=["<s>n</s>"]
    )
    page = _Elements(data["text/html"])
    scopes = [attrs["scope"] for tag, attrs in page.found if tag == "th"]
    assert scopes == ["col"] * 6 + ["row"] * 3
    assert {tag for tag, _ in page.found} == {
        *("table", "caption", "span", "thead", "tbody", "tr", "th", "td", "p")
    }
    assert {"<b>Femur</b>", "All <i>", "<u>c</u>", "<s>n</s>", "=1+1"} <= set(page.texts)
    assert not any("id" in attrs for _, attrs in page.found)


def test_numbers_stay_on_one_line_and_words_do_not(frame: pd.DataFrame) -> None:
    page = _Elements(show.table_output(frame, name="t", caption="c")[0]["text/html"])
    cells = [attrs for tag, attrs in page.found if tag == "td"][:5]
    assert ["nowrap" in str(cell["style"]) for cell in cells] == [True, True, True, False, False]
    assert [cell.get("class") for cell in cells] == [None, "whole", "whole", None, None]


def test_two_row_headings_and_none(frame: pd.DataFrame) -> None:
    for headings in (0, 2):
        data, _ = show.table_output(frame, name="t", caption="c", row_headings=headings)
        assert data["text/html"].count('scope="row"') == 3 * headings
    with pytest.raises(ValueError, match="between 0 and 6, not 7"):
        show.table_output(frame, name="t", caption="c", row_headings=7)


def test_text_form_of_a_table_is_aligned() -> None:
    frame = pd.DataFrame({"what": ["age", "n"], "value": [1.5, 10.0]}, index=[7, 3])
    data, _ = show.table_output(frame, name="t", caption="Caption", notes=["Note."])
    assert data["text/plain"].splitlines() == [
        "Caption", "what  value", "age     1.5", "n        10", "Note."
    ]  # fmt: skip


def test_empty_table_says_so(frame: pd.DataFrame) -> None:
    data, _ = show.table_output(frame.iloc[:0], name="t", caption="c")
    assert '<td colspan="6">No rows.</td>' in data["text/html"]
    assert "No rows." in data["text/plain"]


def test_repeated_columns_are_refused(frame: pd.DataFrame) -> None:
    twice = pd.concat([frame, frame["All"]], axis=1)
    with pytest.raises(ValueError, match="two columns of one name"):
        show.table_output(twice, name="t", caption="c")


def test_the_caller_s_frame_is_left_alone_and_output_repeats(frame: pd.DataFrame) -> None:
    before = frame.copy(deep=True)
    outputs = [show.table_output(frame, name="t", caption="c") for _ in range(2)]
    pd.testing.assert_frame_equal(frame, before)
    assert outputs[0] == outputs[1]


def test_text_and_cautions_are_escaped() -> None:
    text, metadata = show.text_output("**Bold** <script>x</script> [l](javascript:alert(1))")
    assert "<strong>Bold</strong>" in text["text/html"]
    assert "<script" not in text["text/html"]
    assert "javascript:" not in text["text/html"]
    assert metadata["audit"]["kind"] == "text"
    cautions, _ = show.cautions_output(["Few <cases>.", "Young & short."])
    assert "<li>Few &lt;cases&gt;.</li>" in cautions["text/html"]
    assert cautions["text/plain"] == "Bear in mind:\n- Few <cases>.\n- Young & short."


def test_show_functions_give_nothing_back_and_show_once(
    monkeypatch: pytest.MonkeyPatch, frame: pd.DataFrame
) -> None:
    import IPython.display
    from matplotlib import pyplot as plt

    calls: list[dict[str, object]] = []
    monkeypatch.setattr(
        IPython.display, "display", lambda data, *, metadata, raw: calls.append(metadata["audit"])
    )
    drawn, _ = plt.subplots()
    assert show.show_figure(drawn, name="a", caption="c", alt="d") is None
    assert not plt.fignum_exists(drawn.number)
    assert show.show_table(frame, name="t", caption="c") is None
    assert show.show_text("x") is None
    assert show.show_cautions(["x"]) is None
    assert show.show_cautions([]) is None
    assert [call["kind"] for call in calls] == ["figure", "table", "text", "cautions"]


def test_import_brings_neither_a_front_end_nor_a_plotting_library() -> None:
    code = "import sys, audit.notebook_display; print(sorted(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(re.findall(r"'([^']*)'", done.stdout))
    assert "audit.notebook_display" in loaded
    assert not loaded & {"IPython", "matplotlib", "seaborn", "scipy", "lifelines", "mistune"}
