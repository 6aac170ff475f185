"""datapackage.json and the JSON file beside each CSV: what each file and column holds.

Frictionless Data Package standard, version 2.0 (datapackage.org, 26 June 2024): Data Package, Data
Resource, Table Dialect and Table Schema. The markers are the missing values of the number columns,
each with its meaning, so a reader of the standard gets typed numbers. The entries tableName,
period, population, counted, notes, controls, flags, hiddenCells, releaseLevel, nextUpdate,
dataTo and decisions are further properties, which the standard allows.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

from audit.disclosure.controlled import MARKERS
from audit.intake.provenance import made_with
from audit.release.summary.facts import LANGUAGE, LEVEL_WORDS, ReleaseFacts
from audit.release.summary.safe_text import safe_text
from audit.release.summary.sheet import Column, ReleasedSheet

FILE = "datapackage.json"
PROFILES = "https://datapackage.org/profiles/2.0/"
TYPES = {"text": "string", "whole": "integer", "number": "number"}


def resource(sheet: ReleasedSheet, content: bytes, *, level: str) -> dict[str, object]:
    """The Data Resource descriptor of a sheet's CSV file. content: of that file."""
    return {
        "$schema": f"{PROFILES}dataresource.json",
        "name": sheet.stem,
        "type": "table",
        "path": f"{sheet.stem}.csv",
        "title": sheet.title,
        "description": "\n\n".join(sheet.lines) or sheet.title,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "dialect": {
            "$schema": f"{PROFILES}tabledialect.json",
            "header": True,
            "delimiter": ",",
            "lineTerminator": "\r\n",
            "quoteChar": '"',
            "doubleQuote": True,
        },
        "schema": _schema(sheet),
        "releaseLevel": level,
        **sheet.facts,
    }


def package(
    resources: Sequence[dict[str, object]],
    facts: ReleaseFacts,
    *,
    level: str,
    decisions: Sequence[tuple[str, str]],
) -> dict[str, object]:
    """The Data Package descriptor of a release. decisions: (id, words) of those it waits for."""
    version = made_with().version
    return {
        "$schema": f"{PROFILES}datapackage.json",
        "name": f"summary-tables-{level}",
        "title": safe_text(facts.title),
        "description": safe_text(LEVEL_WORDS[level]),
        **({"version": version} if version else {}),
        "created": f"{facts.prepared_on.isoformat()}T00:00:00Z",
        "contributors": [
            {
                "title": safe_text(facts.contact),
                "organization": safe_text(facts.place),
                "roles": ["contact"],
            }
        ],
        "sources": [{"title": safe_text(facts.source)}],
        "resources": list(resources),
        "releaseLevel": level,
        "language": LANGUAGE,
        "period": safe_text(facts.period),
        **({"dataTo": facts.data_to.isoformat()} if facts.data_to else {}),
        "nextUpdate": safe_text(facts.next_update),
        "decisions": [{"id": key, "words": words} for key, words in decisions],
    }


def json_bytes(content: dict[str, object]) -> bytes:
    """A descriptor as indented JSON in UTF-8."""
    return (json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _schema(sheet: ReleasedSheet) -> dict[str, object]:
    schema: dict[str, object] = {
        "$schema": f"{PROFILES}tableschema.json",
        "fields": [_field(column) for column in sheet.columns],
    }
    if sheet.key:
        schema["primaryKey"] = list(sheet.key)
    return schema


def _field(column: Column) -> dict[str, object]:
    field: dict[str, object] = {
        "name": column.name,
        "title": column.heading,
        "type": TYPES[column.kind],
        "description": column.meaning,
    }
    if column.kind == "text":
        field["constraints"] = {"required": True}
    else:
        field["missingValues"] = [
            {"value": marker, "label": words} for marker, words in MARKERS.items()
        ]
    if column.categories:
        field["categories"] = [
            {"value": code, "label": words} for code, words in column.categories.items()
        ]
    return field
