"""What the author's own fields say, and a note where one is still empty."""

from __future__ import annotations

from audit.document import Paragraph
from audit.plan import CHOICES, FIELD_WORDS, StudyFields


def own_words(text: str) -> str:
    """A text of the author as it may stand in the document: one line, ended, and free of the signs
    that cite or point."""
    plain = " ".join(text.split()).replace("[@", "[ @").replace("[#", "[ #")
    return plain if not plain or plain[-1] in ".?!" else f"{plain}."


def field_paragraph(study: StudyFields, name: str) -> Paragraph:
    """The author's text of a field, or a note that asks for it."""
    text = getattr(study, name).strip()
    if not text:
        return asked_for(FIELD_WORDS[name], field=name)
    return Paragraph((own_words(text),))


def field_paragraphs(study: StudyFields, *names: str) -> list[Paragraph]:
    """The filled fields in one paragraph, and a note for each empty one after it."""
    filled = [own_words(getattr(study, name)) for name in names if getattr(study, name).strip()]
    found = [Paragraph((" ".join(filled),))] if filled else []
    empty = [name for name in names if not getattr(study, name).strip()]
    return found + [asked_for(FIELD_WORDS[name], field=name) for name in empty]


def labelled(study: StudyFields, words: dict[str, str]) -> list[Paragraph]:
    """A paragraph for each field of `words` (field -> label), opened by its label."""
    found = []
    for name, label in words.items():
        paragraph = field_paragraph(study, name)
        found.append(paragraph if paragraph.note else Paragraph((f"{label}: {paragraph.text}",)))
    return found


def asked_for(words: str, *, field: str = "") -> Paragraph:
    """A note that asks the author for something; field: of the plan's study section."""
    where = f" (plan, study, {field})" if field else ""
    return Paragraph((f"{words[:1].upper()}{words[1:]}{where}.",), note=True)


def choice(study: StudyFields, name: str) -> str:
    """The words of a field with a closed list; empty when it is not filled."""
    code = getattr(study, name).strip()
    return CHOICES[name].get(code, code)


def design_sentence(study: StudyFields) -> str:
    """`Retrospective, single-centre case series; consecutive cases, chosen by treatment.` Only
    what is filled; what is not stands in `design_notes`."""
    first = [choice(study, name) for name in ("design", "centres")]
    kind = ", ".join(word for word in first if word)
    about = [choice(study, name) for name in ("consecutive", "sampling")]
    cases = ", ".join(word for word in about if word)
    sentence = f"{kind} case series".strip()
    sentence = sentence[:1].upper() + sentence[1:]
    sentence += f"; cases {cases}" if cases else ""
    project = choice(study, "project_type")
    return f"{sentence}; project: {project}." if project else f"{sentence}."


def design_notes(study: StudyFields) -> list[Paragraph]:
    """A note for each field of the design that is empty."""
    names = ("design", "centres", "consecutive", "sampling", "project_type")
    return [
        asked_for(FIELD_WORDS[name], field=name)
        for name in names
        if not getattr(study, name).strip()
    ]
