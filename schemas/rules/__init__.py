"""Rules between cells and tables, in the order in which they are applied.

First the rules that decide whether a row can be used (`keys`). Then all errors on values: single
dates, then the milestones, lengths, devices and union within a case, then facts against surgery,
follow-up and death (a mistyped milestone is out by then), several cases of one patient, actions,
motion, events, sessions, changes of the service, the theatre list. Then all warnings, in the same
order of modules. Within a module rules stand in the order in which they are applied.
"""

from schemas.rules.base import ROW, VALUE, Evidence, Rule
from schemas.rules.dates import DATE_RULES
from schemas.rules.devices import DEVICE_RULES
from schemas.rules.events import EVENT_RULES
from schemas.rules.facts import FACT_RULES
from schemas.rules.films import FILM_RULES
from schemas.rules.healing import HEALING_RULES
from schemas.rules.keys import CHILD_TABLES, ESSENTIAL, KEY_RULES
from schemas.rules.lengths import LENGTH_RULES
from schemas.rules.loading import LOADING_RULES
from schemas.rules.milestones import MILESTONE_RULES
from schemas.rules.motion import MOTION_RULES
from schemas.rules.repeats import REPEAT_RULES
from schemas.rules.service import SERVICE_RULES
from schemas.rules.sessions import SESSION_RULES
from schemas.rules.theatre import THEATRE_RULES
from schemas.rules.treatments import TREATMENT_RULES
from schemas.rules.units import UNIT_RULES

_BY_MODULE: tuple[Rule, ...] = (
    DATE_RULES
    + MILESTONE_RULES
    + LENGTH_RULES
    + UNIT_RULES
    + DEVICE_RULES
    + HEALING_RULES
    + FACT_RULES
    + REPEAT_RULES
    + TREATMENT_RULES
    + FILM_RULES
    + MOTION_RULES
    + LOADING_RULES
    + EVENT_RULES
    + SESSION_RULES
    + SERVICE_RULES
    + THEATRE_RULES
)

#: rules on values, errors before warnings: an error takes its value out before anything asks of it
VALUE_RULES: tuple[Rule, ...] = tuple(
    rule for severity in ("error", "warning") for rule in _BY_MODULE if rule.severity == severity
)

RULES: tuple[Rule, ...] = KEY_RULES + VALUE_RULES

__all__ = [
    "CHILD_TABLES",
    "ESSENTIAL",
    "KEY_RULES",
    "ROW",
    "RULES",
    "VALUE",
    "VALUE_RULES",
    "Evidence",
    "Rule",
]
