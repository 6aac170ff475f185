"""The nearest code for a text that is in no code list, and the id that differs only in its form.

Suggestions in words: nothing is mapped.
"""

from __future__ import annotations

import difflib
import re

import numpy as np
import pandas as pd

from audit.intake.hints import HERE, NO_VALUE
from schemas import vocabulary

#: code list -> other words for its codes, in the languages of the entry sheets we know of
OTHER_WORDS: dict[str, dict[str, str]] = {
    "yes_no": {
        "yes": "y ja j oui o si sì sí s sim true wahr vrai verdadero vero 1 x present",
        "no": "n nein non não nee false falsch faux falso 0 absent",
    },
    "side": {
        "left": "l lt lft li links gauche g izquierda izquierdo sinistra sinistro sx esquerda lhs",
        "right": "r rt rgt re rechts droite d derecha derecho destra destro dx direita rhs",
    },
    "sex": {
        "female": "f w weiblich frau woman girl femme féminin mujer femenino femmina feminino v 2",
        "male": "m männlich mann man boy homme masculin hombre masculino maschio mannelijk 1",
        "other": "diverse divers d x",
        "unknown": "u unk unbekannt 9",
    },
    "segment": {
        "femur": "fem thigh oberschenkel fémur fêmur femore dijbeen",
        "tibia": "tib leg unterschenkel shin tibia/fibula scheenbeen",
        "humerus": "hum oberarm húmero omero",
        "forearm": "radius ulna unterarm",
    },
    "device_class": {
        "lengthening_nail": "nail nagel marknagel intramedullary clou clavo chiodo",
        "circular_fixator": "ring frame ringfixateur ilizarov circular hexapod",
        "monolateral_fixator": "monolateral rail unilateral",
        "lengthening_over_nail": "lon lengthening-over-nail",
    },
    "severity_type": {
        "I": "1 type_1 grade_1 i",
        "II": "2 type_2 grade_2",
        "IIIA": "3a type_3a grade_3a iiia",
        "IIIB": "3b type_3b grade_3b iiib",
    },
    "load": {
        "none": "nwb non_weight_bearing 0",
        "toe_touch": "ttwb touch tdwb",
        "partial": "pwb partial_weight_bearing teilbelastung",
        "full": "fwb full_weight_bearing wbat vollbelastung",
    },
    "aid": {"none": "no_aid without ohne 0", "two_crutches": "crutches", "cane": "stick"},
    "outcome_status": {
        "in_treatment": "ongoing active open laufend",
        "completed": "complete done finished healed abgeschlossen",
        "lost_to_follow_up": "lost ltfu lfu",
        "died": "dead death deceased",
    },
}


def nearest_code(code_list: str, text: str) -> str:
    """What to say of a text that is in no code list: " Nearest: femur.", or "" when none is near.

    code_list: name in `schemas.vocabulary`. Capitals, blanks, labels, letters such as L and R, and
    words around a code ("Left femur") are understood, then spelling.
    """
    codes = vocabulary.codes(code_list)
    near = _nearest(code_list, codes, text)
    if near:
        return f" Nearest: {near}."
    if NO_VALUE.fullmatch(text.strip()):
        return " Leave the cell empty if unknown."
    return ""


def _nearest(code_list: str, codes: tuple[str, ...], text: str) -> str | None:
    plain = _plain(text)
    known = {code.lower(): code for code in codes}
    known |= {_plain(label): code for code, label in vocabulary.CODE_LISTS[code_list].items()}
    for code, words in OTHER_WORDS.get(code_list, {}).items():
        known |= {word: code for word in words.split() if code in codes}
    if plain in known:
        return known[plain]
    if NO_VALUE.fullmatch(text.strip()):
        return None
    parts = plain.split("_")
    inside = {known[part] for part in parts if part in known and len(part) > 2}
    if len(inside) == 1:
        return inside.pop()
    spelt = {code.lower(): code for code in codes}
    near = difflib.get_close_matches(plain, list(spelt), n=1, cutoff=0.6)
    return spelt[near[0]] if near else None


def _plain(text: str) -> str:
    return re.sub(r"[\s_-]+", "_", text.strip().lower()).strip("._")


def id_hints(ids: pd.Series, known: pd.Series, *, home: str) -> np.ndarray:
    """What to say of ids that a table lacks: how it writes the same one, else "".

    ids: those not found. known: all ids of the table `home`. The id itself is not shown.
    """
    forms = (
        ("with other leading zeros", lambda text: re.sub(r"(?<![0-9])0+(?=[0-9])", "", text)),
        ("with other capitals", str.lower),
        ("with other blanks, points or dashes", lambda text: re.sub(r"[\s._/-]", "", text)),
        ("without a decimal point and zero", lambda text: re.sub(r"\.0+$", "", text)),
        ("without an apostrophe before it", lambda text: text.lstrip("'’`")),
        (
            "with other zeros, capitals or separators",
            lambda text: re.sub(r"(?<![0-9])0+(?=[0-9])|[\s._/-]", "", text.lower()),
        ),
    )
    said = np.full(len(ids), "", dtype=object)
    texts = ids.fillna("").astype(str)
    for words, form in forms:
        formed = {form(str(one)) for one in pd.unique(known.dropna())}
        hits = (texts.ne("") & texts.map(form).isin(formed)).to_numpy() & (said == "")
        said[hits] = f"{HERE}{home} writes it {words}."
    return said
