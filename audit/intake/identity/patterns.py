"""What single cells look like: names, telephone and national numbers, dates, addresses.

The shapes of national numbers are those that their issuers publish (here from memory): they are
only compared, never kept or shown.
"""

from __future__ import annotations

import datetime
import re


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


#: words of roles: a text that holds one names a function, not a person
ROLES = _words(
    "lead leader head chief senior junior consultant surgeon surgery nurse sister ward clinic "
    "team manager physiotherapist physiotherapy therapist radiographer radiography radiologist "
    "theatre fellow registrar resident trainee assistant officer secretary director coordinator "
    "clerk data audit quality department service unit orthopaedic orthopedic paediatric "
    "anaesthetist anaesthesia psychologist pharmacist engineer technician specialist practitioner "
    "office board committee oberarzt oberarztin chefarzt leitung station pflege klinik arzt "
    "arztin medecin chef infirmier infirmiere responsable jefe medico enfermera enfermero "
    "direttore primario coordinatore hoofd verpleegkundige"
)
#: capitalised words that are no names: of the trade, of places, numbers, months, and common ones
NOT_NAMES = ROLES | _words(
    "left right both side femur femoral tibia tibial fibula humerus forearm radius ulna foot "
    "ankle knee hip leg limb bone joint nail nails fixator frame ring circular monolateral "
    "lengthening antegrade retrograde proximal distal medial lateral anterior posterior valgus "
    "varus rotation deformity soft tissue skin pin site sites wound nerve vascular vessel "
    "infection device screw plate union nonunion non delayed premature fracture axis drift pain "
    "stiffness contracture congenital developmental post traumatic infective skeletal dysplasia "
    "short stature tumour other unknown none yes no not known female male weight bearing full "
    "partial toe touch crutch crutches wheelchair cane home hospital centre center school north "
    "south east west upper lower good fair poor excellent satisfied very result outcome grade "
    "type stage class level group phase early late before after during day week month year first "
    "second third one two three four alpha beta gamma delta new old high low normal abnormal mild "
    "moderate severe complete incomplete completed treatment operation surgery follow lost open "
    "closed healed healing slow fast planned unplanned return theatre implant removal growth "
    "plate arrest epiphysiodesis osteotomy distraction consolidation latency regenerate callus "
    "film image series test total mean red blue green yellow black white january february march "
    "april may june july august september october november december monday tuesday wednesday "
    "thursday friday saturday sunday standard protocol study trial arm control local general "
    "spinal regional block anaesthetic hemihypertrophy hemimelia achondroplasia fibular "
    "deficiency focal idiopathic tourniquet compartment syndrome deep superficial vein venous "
    "thrombosis embolism pulmonary missing pending ongoing current previous left-sided right- "
    "sided bilateral unilateral the and of with"
)

EMAIL = re.compile(r"[^\s@,;]+@[^\s@,;]+\.[A-Za-z]{2,}")
URL = re.compile(r"https?://|\bwww\.\w", re.IGNORECASE)
IBAN = re.compile(r"[A-Z]{2}\d{2}(?: ?[A-Z0-9]{4}){2,7}(?: ?[A-Z0-9]{1,4})?")
LONG_DIGITS = re.compile(r"\d{7,}")
_PHONES = re.compile(
    r"(?:\+|00)[1-9][\d ()/.\-]{6,18}\d"
    r"|\(0?\d{2,5}\) ?\d[\d \-/.]{4,12}\d"
    r"|0\d{1,5}[ /\-]+\d[\d ./\-]{3,12}\d"
    r"|0[1-9]\d{7,10}"
    r"|\d{3}[ .\-]\d{3}[ .\-]\d{4}"
)
#: issuer's shape of a personal number -> the pattern
_NATIONAL = (
    r"\d{3}-\d{2}-\d{4}",  # United States
    r"[A-CEGHJ-PR-TW-Z]{2} ?\d{2} ?\d{2} ?\d{2} ?[A-D]",  # United Kingdom, insurance
    r"756[. ]?\d{4}[. ]?\d{4}[. ]?\d{2}",  # Switzerland
    r"[12] ?\d{2} ?(?:0[1-9]|1[0-2]) ?\d[\dAB] ?\d{3} ?\d{3}(?: ?\d{2})?",  # France
    r"[A-Z]{6}\d{2}[A-EHLMPRST]\d{2}[A-Z]\d{3}[A-Z]",  # Italy
    r"\d{8}-?[TRWAGMYFPDXBNJZSQVHLCKE]|[XYZ]-?\d{7}-?[A-Z]",  # Spain
    r"\d{2}\.\d{2}\.\d{2}-\d{3}\.\d{2}",  # Belgium
    r"\d{3}\.\d{3}\.\d{3}-\d{2}",  # Brazil
    r"\d{4} \d{4} \d{4}",  # India
    r"\d{2} ?\d{6} ?[A-Z] ?\d{3}",  # Germany, pension
)
NATIONAL = re.compile("|".join(_NATIONAL))
_NORDIC = re.compile(r"(?:\d{2})?(\d{2})(\d{2})(\d{2})[-+A](?:\d{4}|\d{3}[A-Z])")
ISO_DAY = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T]\d{1,2}:\d{2}(?::\d{2})?)?")
OTHER_DAY = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})")
PACKED_DAY = re.compile(r"\d{8}")
_ADDRESS = re.compile(
    r"\d+[a-z]? [\w' ]+ (?:street|st|road|rd|avenue|ave|lane|drive|close|court|way)\b\.?"
    r"|\b\w+(?:strasse|straße|str\.|weg|gasse|platz|allee|straat|laan) ?\d+"
    r"|\b(?:rue|calle|via|rua|avenida|viale|piazza|plaza|avenue) .*\d",
    re.IGNORECASE,
)
#: months as English and German write them, capitals told apart; then those of all six languages
_CAPITAL = (
    "January|February|March|April|May|June|July|August|September|October|November|December|Januar|"
    "Februar|März|Mai|Juni|Juli|Oktober|Dezember|Jan|Feb|Mar|Mär|Apr|Jun|Jul|Aug|Sept|Sep|Oct|Okt|"
    "Nov|Dec|Dez"
)
_ANY_MONTH = (
    f"{_CAPITAL}|janvier|février|fevrier|mars|avril|juin|juillet|août|aout|septembre|octobre|"
    "novembre|décembre|enero|febrero|marzo|abril|mayo|junio|julio|agosto|septiembre|octubre|"
    "noviembre|diciembre|gennaio|febbraio|aprile|maggio|giugno|luglio|settembre|ottobre|dicembre|"
    "janeiro|fevereiro|março|maio|junho|julho|setembro|outubro|novembro|dezembro|januari|februari|"
    "maart|mei|augustus"
)
_WORD_DAY = re.compile(
    rf"\b\d{{1,2}}(?:st|nd|rd|th|\.)?[ -]?(?:of )?(?:{_CAPITAL})\b"
    rf"|\b(?:{_CAPITAL})\.? \d{{1,2}}(?:st|nd|rd|th)?\b(?! ?(?:mm|cm|%|deg|week|day|month))"
    rf"|\b(?i:{_ANY_MONTH})\.?,? (?:de |del )?(?:19|20)\d\d\b"
)
_TITLE = re.compile(
    r"\b(?:Dr|Drs|Prof|Professor|Mr|Mrs|Ms|Miss|Mx|Herr|Herrn|Frau|Mme|Mlle|Monsieur|Madame|"
    r"Se[nñ]or|Se[nñ]ora|Sra|Srta|Dra|Sig|Signor|Signora|Dott|Dottoressa|Dhr|Mevr|Mevrouw|Senhor|"
    r"Senhora)\b\.?,? +(?:(?:med|Dr|Prof)\.? +)*(?:[A-Z]\.? ?)*[^\W\d_a-z][\w'’\-]+"
)
_DAY_INSIDE = re.compile(
    r"(?<![\d./\-])(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}"
    r"|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{1,2}([/.])\d{1,2}\1\d{2})"
    r"(?![\d/\-]|\.\d)"
)
_PARTICLES = _words("von van de der den del della di da do dos du la le el bin al zu ter")


#: letters above which a cell or a word is neither an address nor an e-mail address
LONGEST = 254


def day_of(text: str) -> list[datetime.date]:
    """The days that a cell may mean: none when it is no date, two when the order is open."""
    iso = ISO_DAY.fullmatch(text)
    if iso:
        return _days([(iso[1], iso[2], iso[3])])
    other = OTHER_DAY.fullmatch(text)
    if other:
        first, second, year = other.groups()
        years = [year] if len(year) == 4 else [f"19{year}", f"20{year}"]
        return _days([t for y in years for t in ((y, second, first), (y, first, second))])
    if PACKED_DAY.fullmatch(text):
        return _days([(text[:4], text[4:6], text[6:]), (text[4:], text[2:4], text[:2])])
    return []


def _days(triples: list[tuple[str, str, str]]) -> list[datetime.date]:
    found: list[datetime.date] = []
    for year, month, day in triples:
        try:
            one = datetime.date(int(year), int(month), int(day))
        except ValueError:
            continue
        if 1900 <= one.year <= 2100 and one not in found:
            found.append(one)
    return found


def is_phone(text: str) -> bool:
    """Whether a whole cell looks like a telephone number."""
    digits = sum(letter.isdigit() for letter in text)
    return bool(7 <= digits <= 15 and _PHONES.fullmatch(text) and not day_of(text))


def is_national_number(text: str) -> bool:
    """Whether a whole cell has the shape of a personal number of some country or of an account."""
    if NATIONAL.fullmatch(text) or IBAN.fullmatch(text):
        return True
    nordic = _NORDIC.fullmatch(text)
    return nordic is not None and bool(
        _days([("2000", nordic[2], nordic[3]), ("2000", nordic[2], nordic[1])])
    )


def is_address(text: str) -> bool:
    """Whether a cell holds a street with a number."""
    return len(text) <= LONGEST and _ADDRESS.search(text) is not None


def is_person(text: str) -> bool:
    """Whether a whole cell looks like the name of a person: "Anna Muster", "Muster, A.", "Dr X".

    Words of the trade ("Left Femur", "Audit Lead") make it none.
    """
    if len(text) > 60 or any(letter.isdigit() for letter in text):
        return False
    if _TITLE.match(text):
        return True
    words = [word for word in re.split(r"[\s,]+", text) if word and word not in _PARTICLES]
    if not 2 <= len(words) <= 4 or any(_plain(word) in NOT_NAMES for word in words):
        return False
    initials = [word for word in words if re.fullmatch(r"(?:[A-Z]\.-?){1,3}|[A-Z]", word)]
    full = [word for word in words if _is_name_word(word)]
    return len(full) >= 1 and len(full) + len(initials) == len(words)


def _plain(word: str) -> str:
    return word.strip(".'’-").lower()


def _is_name_word(word: str) -> bool:
    parts = [part for part in re.split(r"[-'’]", word) if part]
    letters = all(part.isalpha() for part in parts) and sum(map(len, parts)) > 2
    return letters and parts[0][0].isupper() and not word.islower()


def is_surname(text: str) -> bool:
    """Whether a cell is one capitalised word that no trade word explains ("Muster")."""
    single = len(text) > 3 and text.isalpha() and text[0].isupper() and text[1:].islower()
    return single and _plain(text) not in NOT_NAMES


def names_a_person(text: str, *, surnames: bool) -> bool:
    """Whether a code looks like a person's name: a name, initials with dots, a title.

    surnames: a single capitalised word counts too.
    """
    if any(_plain(word) in ROLES for word in re.split(r"[\s,/_-]+", text)):
        return _TITLE.match(text) is not None
    dotted = re.fullmatch(r"(?:[A-Z]\. ?){2,3}", text) is not None
    return dotted or is_person(text) or (surnames and is_surname(text))


def kinds_in_text(text: str) -> list[str]:
    """What a free text holds that may identify people, in words; an empty list when nothing."""
    found = []
    if any(day_of(one.group()) for one in _DAY_INSIDE.finditer(text)) or _WORD_DAY.search(text):
        found.append("a date")
    if "@" in text and any(EMAIL.search(word) for word in text.split() if len(word) <= LONGEST):
        found.append("an e-mail address")
    if URL.search(text):
        found.append("a web address")
    if any(is_phone(one.group().strip()) for one in _PHONES.finditer(text)):
        found.append("a telephone number")
    elif LONG_DIGITS.search(text):
        found.append("a long number")
    if _TITLE.search(text):
        found.append("a person's title and name")
    return found
