"""What decides the numbers of an aggregate, as texts that two centres can compare."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping
from typing import Any

from audit.cohort import Cohort
from audit.criteria import Criterion
from audit.intake.provenance import made_with
from audit.results.catalogue import MEASURES, TIMES
from audit.settings import Settings

#: settings of drawing and resampling, which decide no sum
UNUSED = ("minimum_at_risk", "resamples", "seed")
SETTING = "setting "
#: entries of a criterion that explain it and decide no number
WORDING = ("id", "words", "source", "reason", "target_level")


def definitions_of(cohort: Cohort) -> dict[str, str]:
    """Name -> text, sorted: version of the kit, settings, measures with their units."""
    texts = {"kit version": str(made_with().version)}
    for name, value in dataclasses.asdict(cohort.settings).items():
        if name not in UNUSED:
            texts[SETTING + name] = json.dumps(value)
    for measure in MEASURES:
        texts[f"measure {measure.name}"] = f"{measure.kind}, {measure.unit or 'yes or no'}"
    for name, (_, unit, each) in TIMES.items():
        texts[f"time {name}"] = f"{unit}, a row a {each}"
    return dict(sorted(texts.items()))


def settings_of(definitions: Mapping[str, str]) -> Settings:
    """The settings that the definitions name; those that decide no sum have their defaults."""
    known = {field.name for field in dataclasses.fields(Settings)}
    given = {
        name.removeprefix(SETTING): json.loads(text)
        for name, text in definitions.items()
        if name.startswith(SETTING)
    }
    chosen: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in given.items()
        if name in known
    }
    return Settings(**chosen)


def definition_of(criterion: Criterion) -> str:
    """A criterion's entries that decide its number, as one line of text."""
    entries = {
        name: value
        for name, value in dataclasses.asdict(criterion).items()
        if name not in WORDING and name != "exceptions"
    }
    excused = sorted(str(exception) for exception in criterion.exceptions)
    return json.dumps(entries | {"exceptions": excused}, sort_keys=True, ensure_ascii=False)
