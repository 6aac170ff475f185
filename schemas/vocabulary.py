"""Code lists: the codes a table may hold, the words people read, and the order of both."""

from __future__ import annotations

#: list name -> {code: label}, in the order in which tables and figures show them
CODE_LISTS: dict[str, dict[str, str]] = {
    "sex": {"female": "Female", "male": "Male", "other": "Other", "unknown": "Unknown"},
    "aetiology": {
        "congenital": "Congenital",
        "developmental": "Developmental",
        "post_traumatic": "Post-traumatic",
        "post_infective": "Post-infective",
        "skeletal_dysplasia": "Skeletal dysplasia",
        "short_stature": "Short stature",
        "tumour": "Tumour",
        "other": "Other",
        "unknown": "Unknown",
    },
    "side": {"left": "Left", "right": "Right"},
    "segment": {
        "femur": "Femur",
        "tibia": "Tibia",
        "humerus": "Humerus",
        "forearm": "Forearm",
        "other": "Other segment",
    },
    "device_class": {
        "lengthening_nail": "Lengthening nail",
        "circular_fixator": "Circular fixator",
        "monolateral_fixator": "Monolateral fixator",
        "lengthening_over_nail": "Lengthening over nail",
        "other": "Other device",
    },
    "nail_approach": {"antegrade": "Antegrade", "retrograde": "Retrograde"},
    "yes_no": {"yes": "Yes", "no": "No"},
    "outcome_status": {
        "in_treatment": "In treatment",
        "completed": "Completed",
        "stopped_early": "Stopped early",
        "device_exchanged": "Device exchanged",
        "lost_to_follow_up": "Lost to follow-up",
        "amputated": "Amputated",
        "died": "Died",
    },
    "joint": {"hip": "Hip", "knee": "Knee", "ankle": "Ankle"},
    "load": {"none": "None", "toe_touch": "Toe touch", "partial": "Partial", "full": "Full"},
    "aid": {
        "wheelchair": "Wheelchair",
        "two_crutches": "Two crutches",
        "one_crutch": "One crutch",
        "cane": "Cane",
        "none": "None",
    },
    "origin": {
        "soft_tissue": "Soft tissue",
        "joint": "Joint",
        "vascular": "Vascular",
        "bone": "Bone",
        "neurological": "Neurological",
        "infection": "Infection",
        "device": "Device",
        "other": "Other",
    },
    "course_class": {
        "problem": "Problem",
        "obstacle": "Obstacle",
        "complication": "Complication",
    },
    "severity_type": {
        "I": "Type I",
        "II": "Type II",
        "IIIA": "Type IIIA",
        "IIIB": "Type IIIB",
    },
    "service_event": {"change": "Change in the service", "rebase": "Limits recomputed"},
}

#: where a code list comes from, when it is somebody's published scheme
SOURCES: dict[str, str] = {
    "course_class": "Paley D. Clin Orthop Relat Res 1990;(250):81-104 (from memory)",
    "severity_type": "Black SR et al. 2015, severity types I to IIIB, as used by Frost MW et al. "
    "Acta Orthop 2021;92:120-127, DOI 10.1080/17453674.2020.1835321",
}

#: devices with a nail in the bone
NAIL_CLASSES = ("lengthening_nail", "lengthening_over_nail")
#: external or combined devices whose frame comes off; only they have a fixation index
FIXATOR_CLASSES = ("circular_fixator", "monolateral_fixator", "lengthening_over_nail")
#: frames that alone hold the bone until they come off
FRAME_ONLY_CLASSES = ("circular_fixator", "monolateral_fixator")
#: bones a person may walk on: all but those of the arm
WALKING_SEGMENTS = ("femur", "tibia", "other")
#: outcomes after which full weight bearing cannot happen any more
COMPETING_OUTCOMES = ("died", "amputated")


def codes(name: str) -> tuple[str, ...]:
    """The codes of a list, in order. ValueError names the lists there are."""
    if name not in CODE_LISTS:
        raise ValueError(f"code list must be one of {', '.join(CODE_LISTS)}; got {name!r}")
    return tuple(CODE_LISTS[name])


def label(name: str, code: str) -> str:
    """The words for a code; a code that is not in the list is shown as it is."""
    return CODE_LISTS[name].get(code, code)
