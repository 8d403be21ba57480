"""Which fields are not for everybody, and which action lets a role see and change each.

Front desk books and reaches patients; it is shown from when a slot may be, what a visit needs and
whether precautions are in the way, and no medical detail beyond that. The test of every operation
as every role reads this table, so that a field named here is shown nowhere else by mistake.
"""

from collections.abc import Mapping
from typing import Final

from clinics import policy as clinics

MEDICAL: Final = "medical_detail.read"

FIELDS: Final[Mapping[str, Mapping[str, str]]] = {
    **clinics.FIELDS,
    "PatientOut": {"skin_type": MEDICAL, "smoker": MEDICAL, "gold_therapy_ever": MEDICAL},
    "TattooOut": {
        "scarring": MEDICAL,
        "layered": MEDICAL,
        "palpable": MEDICAL,
        "note": MEDICAL,
    },
    "CourseOut": {"status_reason": MEDICAL},
    "ObservationOut": {"severity": MEDICAL, "note": MEDICAL, "status_reason": MEDICAL},
    "ExplanationOut": {
        "basis": MEDICAL,
        "summary": MEDICAL,
        "facts": MEDICAL,
        "bound": MEDICAL,
        "applied_not_binding": MEDICAL,
        "not_applicable": MEDICAL,
        "holds": MEDICAL,
        "decisions": MEDICAL,
        "flags": MEDICAL,
    },
    "EarliestOut": {"reasons": MEDICAL},
    "NextSessionOut": {"needs": MEDICAL, "lines": MEDICAL},
    "AppointmentOut": {"override_reason": MEDICAL},
    "PrecautionAnswersOut": {"answers": MEDICAL},
    "PrecautionDecisionOut": {"precaution": MEDICAL, "reason": MEDICAL},
    "StandingOut": {"findings": MEDICAL, "new": MEDICAL, "basis": MEDICAL},
}
"""Component of the OpenAPI document -> field -> action. Null for who may not; not to be changed."""
