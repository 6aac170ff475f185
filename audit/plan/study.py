"""What a paper says of its study: fields that no table of cases can know, so the author fills them.

The items behind the fields: STROBE (von Elm 2007, DOI 10.1371/journal.pmed.0040296), RECORD
(Benchimol 2015, DOI 10.1371/journal.pmed.1001885), PROCESS (Mathew 2023, DOI
10.1097/JS9.0000000000000940).
"""

from __future__ import annotations

import dataclasses


@dataclasses.dataclass(frozen=True, kw_only=True)
class StudyFields:
    """Texts by the author; an empty one is not filled yet. `FIELD_WORDS` says what each asks for,
    `CHOICES` which are taken from a closed list, `REQUIRED` which no paper may leave empty."""

    title: str = ""
    objective: str = ""
    keywords: str = ""
    project_type: str = ""
    design: str = ""
    sampling: str = ""
    consecutive: str = ""
    centres: str = ""
    setting: str = ""
    data_source: str = ""
    access: str = ""
    linkage: str = ""
    approval: str = ""
    registration: str = ""
    consent: str = ""
    outcomes_set_beforehand: str = ""
    measurement: str = ""
    optimisation: str = ""
    technique: str = ""
    operators: str = ""
    quality_control: str = ""
    aftercare: str = ""
    follow_up_schedule: str = ""
    study_size: str = ""
    patient_perspective: str = ""
    strengths: str = ""
    limitations: str = ""
    availability: str = ""
    funding: str = ""
    interests: str = ""

    @property
    def empty(self) -> tuple[str, ...]:
        """Names of the fields that are not filled, in their order."""
        names = [field.name for field in dataclasses.fields(self)]
        return tuple(name for name in names if not getattr(self, name).strip())

    @property
    def empty_required(self) -> tuple[str, ...]:
        """Names of the fields in `REQUIRED` that are not filled."""
        return tuple(name for name in self.empty if name in REQUIRED)


#: field -> what the author is asked for
FIELD_WORDS: dict[str, str] = {
    "title": "title with the words case series, the operation and the focus",
    "objective": "the question in one or two sentences",
    "keywords": "keywords, parted by commas",
    "project_type": "kind of project",
    "design": "whether the data were collected forward or looked up afterwards",
    "sampling": "whether cases were chosen by their treatment or by their outcome",
    "consecutive": "whether every eligible case of the period is in",
    "centres": "one centre or several",
    "setting": "kind of hospital and service, country, period",
    "data_source": "kind and name of the database or records behind the tables",
    "access": "how far the authors had access to the source population",
    "linkage": "which sources were joined, how, and how well; none if none",
    "approval": "ethics committee and number, or why none was needed",
    "registration": "registry and number, or that it was not registered",
    "consent": "how patients consented, or why consent was not asked",
    "outcomes_set_beforehand": "where and when the outcomes were set before the analysis",
    "measurement": "who measured what, by which method, and whether it changed in the period",
    "optimisation": "what was done to prepare patients for surgery",
    "technique": "operation: osteotomy, fixation, latency, rate and rhythm, further procedures",
    "operators": "how many operated and with what experience, never a name",
    "quality_control": "how differences between cases were kept small",
    "aftercare": "loading, physiotherapy, medication after surgery",
    "follow_up_schedule": "planned visits and films",
    "study_size": "how the number of cases came about",
    "patient_perspective": "what patients said, or that it was not asked",
    "strengths": "strengths of the study",
    "limitations": "limits the numbers cannot show",
    "availability": "how protocol, data and code can be had",
    "funding": "who paid, or that nobody did",
    "interests": "interests of the authors, or that there are none",
}
#: field -> what it may hold, with its words
CHOICES: dict[str, dict[str, str]] = {
    "project_type": {
        "research": "research",
        "clinical_audit": "clinical audit",
        "service_evaluation": "service evaluation",
    },
    "design": {"prospective": "prospective", "retrospective": "retrospective"},
    "sampling": {
        "by_exposure": "chosen by treatment",
        "by_outcome": "chosen by outcome",
    },
    "consecutive": {"yes": "consecutive", "no": "not consecutive"},
    "centres": {"single": "single-centre", "multiple": "multicentre"},
}
#: without these no paper leaves the kit unmarked: PROCESS 3 and 6a, RECORD 12.1
REQUIRED = ("project_type", "design", "consecutive", "centres", "access", "approval",
            "registration")  # fmt: skip
