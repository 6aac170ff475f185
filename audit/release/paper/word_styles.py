"""The look of the word-processor file: its styles, its list of references, its settings.

Parts of WordprocessingML as ECMA-376 part 1 (ISO/IEC 29500-1) names them; sizes are half points
and twentieths of a point there.
"""

from __future__ import annotations

import dataclasses

from docx.document import Document
from docx.oxml import parse_xml
from docx.oxml.ns import nsdecls

FONT = "Arial"
LANGUAGE = "en-GB"
INK, GREY, SHADE = "000000", "595959", "F2F2F2"
#: style names, by which the writer calls them
BODY, TITLE, CAPTION, FIGURE = "Body Text", "Title", "caption", "Figure"
CELL, CELL_HEADING, NOTE, REFERENCE = "Table Text", "Table Heading", "Table Note", "Reference"
FOR_AUTHOR, END, FOOTER, HYPERLINK = "Note to Author", "Section End", "footer", "Hyperlink"
TABLE = "Ruled Table"
HEADING_LEVELS = 4
#: letters of a table where its layout does not ask for smaller ones
CELL_POINTS = 9.0
#: the list that numbers the references
REFERENCE_LIST = 1


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Look:
    """A paragraph style. points: letter size. before, after: white in points. line: line spacing
    in lines. more: further properties of the paragraph, in the order of the standard around
    spacing; letters: further properties of the letters."""

    name: str
    points: float
    before: float = 0
    after: float = 0
    line: float = 1.0
    bold: bool = False
    colour: str = INK
    keep: bool = False
    frame: str = ""
    place: str = ""
    numbered: bool = True
    outline: int | None = None


_LIST = f'<w:numPr><w:numId w:val="{REFERENCE_LIST}"/></w:numPr>'
_SIDE_RULE = (
    '<w:pBdr><w:left w:val="single" w:sz="18" w:space="8" w:color="595959"/></w:pBdr>'
    f'<w:shd w:val="clear" w:color="auto" w:fill="{SHADE}"/>'
)
_LOOKS = (
    _Look(name=BODY, points=10.5, after=8, line=1.5),
    _Look(name=TITLE, points=18, after=14, line=1.1, bold=True, keep=True),
    _Look(name="heading 1", points=14, before=18, after=6, bold=True, keep=True, outline=0),
    _Look(name="heading 2", points=12, before=14, after=4, bold=True, keep=True, outline=1),
    _Look(name="heading 3", points=10.5, before=10, after=4, bold=True, keep=True, outline=2),
    _Look(name="heading 4", points=10.5, before=8, after=4, keep=True, outline=3),
    _Look(name=CAPTION, points=9.5, before=10, after=4, line=1.15, numbered=False),
    _Look(name=FIGURE, points=9.5, before=10, keep=True, numbered=False),
    _Look(name=CELL, points=CELL_POINTS, before=1.5, after=1.5, numbered=False),
    _Look(name=CELL_HEADING, points=CELL_POINTS, before=2, after=2, bold=True, keep=True,
          numbered=False),
    _Look(name=NOTE, points=8.5, before=2, line=1.1, colour=INK, numbered=False),
    _Look(name=REFERENCE, points=9.5, after=3, line=1.15, frame=_LIST, numbered=False),
    _Look(name=FOR_AUTHOR, points=9.5, before=4, after=8, line=1.15, frame=_SIDE_RULE,
          place='<w:ind w:left="227"/>', numbered=False),
    _Look(name=END, points=1, numbered=False),
    _Look(name=FOOTER, points=8.5, colour=GREY, place='<w:jc w:val="center"/>', numbered=False),
)  # fmt: skip


def dress(document: Document) -> None:
    """Put the kit's own styles, list and settings in place of those of an empty document."""
    for element, content in (
        (document.styles.element, _styles()),
        (document.part.numbering_part.element, _numbering()),
        (document.settings.element, _settings()),
    ):
        for child in list(element):
            element.remove(child)
        for child in list(parse_xml(content)):
            element.append(child)


def _styles() -> str:
    fonts = " ".join(f'w:{script}="{FONT}"' for script in ("ascii", "eastAsia", "hAnsi", "cs"))
    looks = "".join(map(_paragraph_style, _LOOKS))
    return (
        f"<w:styles {nsdecls('w')}>"
        f"<w:docDefaults><w:rPrDefault><w:rPr><w:rFonts {fonts}/>"
        f'<w:sz w:val="21"/><w:szCs w:val="21"/>'
        f'<w:lang w:val="{LANGUAGE}" w:eastAsia="{LANGUAGE}" w:bidi="ar-SA"/>'
        "</w:rPr></w:rPrDefault><w:pPrDefault/></w:docDefaults>"
        '<w:style w:type="paragraph" w:default="1" w:styleId="Normal"><w:name w:val="Normal"/>'
        "<w:qFormat/></w:style>"
        '<w:style w:type="character" w:default="1" w:styleId="DefaultParagraphFont">'
        '<w:name w:val="Default Paragraph Font"/><w:semiHidden/></w:style>'
        f'<w:style w:type="character" w:styleId="{HYPERLINK}"><w:name w:val="{HYPERLINK}"/>'
        '<w:rPr><w:color w:val="1F4E79"/><w:u w:val="single"/></w:rPr></w:style>'
        '<w:style w:type="table" w:default="1" w:styleId="TableNormal">'
        '<w:name w:val="Normal Table"/><w:semiHidden/><w:tblPr><w:tblInd w:w="0" w:type="dxa"/>'
        '<w:tblCellMar><w:left w:w="85" w:type="dxa"/><w:right w:w="85" w:type="dxa"/>'
        "</w:tblCellMar></w:tblPr></w:style>"
        '<w:style w:type="numbering" w:default="1" w:styleId="NoList"><w:name w:val="No List"/>'
        f"<w:semiHidden/></w:style>{_table_style()}{looks}</w:styles>"
    )


def _paragraph_style(look: _Look) -> str:
    keep = "<w:keepNext/><w:keepLines/>" if look.keep else ""
    unnumbered = "" if look.numbered else "<w:suppressLineNumbers/>"
    outline = "" if look.outline is None else f'<w:outlineLvl w:val="{look.outline}"/>'
    lists, frames = (look.frame, "") if look.frame == _LIST else ("", look.frame)
    spacing = (
        f'<w:spacing w:before="{look.before * 20:.0f}" w:after="{look.after * 20:.0f}" '
        f'w:line="{look.line * 240:.0f}" w:lineRule="auto"/>'
    )
    size = f'<w:sz w:val="{look.points * 2:.0f}"/><w:szCs w:val="{look.points * 2:.0f}"/>'
    bold = "<w:b/><w:bCs/>" if look.bold else ""
    after = BODY if look.outline is not None or look.name == TITLE else look.name
    return (
        f'<w:style w:type="paragraph" w:styleId="{style_id(look.name)}">'
        f'<w:name w:val="{look.name}"/><w:basedOn w:val="Normal"/>'
        f'<w:next w:val="{style_id(after)}"/><w:qFormat/>'
        f"<w:pPr>{keep}{lists}{unnumbered}{frames}{spacing}{look.place}{outline}</w:pPr>"
        f'<w:rPr>{bold}<w:color w:val="{look.colour}"/>{size}</w:rPr></w:style>'
    )


def style_id(name: str) -> str:
    """The identifier of a style in the file: its name without blanks, headings with a capital."""
    return "".join(word[:1].upper() + word[1:] for word in name.split())


def _table_style() -> str:
    rules = "".join(
        f'<w:{side} w:val="single" w:sz="8" w:space="0" w:color="{INK}"/>'
        for side in ("top", "bottom")
    )
    return (
        f'<w:style w:type="table" w:styleId="{style_id(TABLE)}"><w:name w:val="{TABLE}"/>'
        '<w:basedOn w:val="TableNormal"/><w:qFormat/>'
        f"<w:tblPr><w:tblBorders>{rules}"
        '<w:insideH w:val="single" w:sz="2" w:space="0" w:color="D9D9D9"/></w:tblBorders></w:tblPr>'
        '<w:tblStylePr w:type="firstRow"><w:rPr><w:b/></w:rPr><w:tcPr><w:tcBorders>'
        f'<w:bottom w:val="single" w:sz="6" w:space="0" w:color="{INK}"/></w:tcBorders>'
        "</w:tcPr></w:tblStylePr></w:style>"
    )


def _numbering() -> str:
    return (
        f"<w:numbering {nsdecls('w')}>"
        f'<w:abstractNum w:abstractNumId="{REFERENCE_LIST}">'
        '<w:multiLevelType w:val="singleLevel"/><w:lvl w:ilvl="0"><w:start w:val="1"/>'
        f'<w:numFmt w:val="decimal"/><w:pStyle w:val="{style_id(REFERENCE)}"/>'
        '<w:lvlText w:val="%1."/><w:lvlJc w:val="left"/><w:pPr>'
        '<w:tabs><w:tab w:val="num" w:pos="454"/></w:tabs>'
        '<w:ind w:left="454" w:hanging="454"/></w:pPr></w:lvl></w:abstractNum>'
        f'<w:num w:numId="{REFERENCE_LIST}"><w:abstractNumId w:val="{REFERENCE_LIST}"/></w:num>'
        "</w:numbering>"
    )


def _settings() -> str:
    # Level 15 of the compatibility setting: else the file opens in the mode of an old release.
    return (
        f"<w:settings {nsdecls('w')}>"
        '<w:zoom w:percent="100"/><w:defaultTabStop w:val="454"/>'
        '<w:compat><w:compatSetting w:name="compatibilityMode" '
        'w:uri="http://schemas.microsoft.com/office/word" w:val="15"/></w:compat>'
        f'<w:themeFontLang w:val="{LANGUAGE}"/><w:decimalSymbol w:val="."/>'
        '<w:listSeparator w:val=","/></w:settings>'
    )
