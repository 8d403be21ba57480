"""What of a patient's record is personal and goes, and what stays under the pseudonym.

Every text, document and date of each table of the record is in one of these; a test compares
them with the models, so that a new column is decided upon when it is made.
"""

from collections.abc import Mapping
from typing import Final

from courses.vocabulary import RecallReason

ERASED: Final = "erased"
"""What stands in the place of words that are gone."""

WORDS: Final[Mapping[str, tuple[str, ...]]] = {
    "courses.Appointment": ("status_reason", "override_reason"),
    "courses.Consent": ("source",),
    "courses.Course": ("status_reason",),
    "courses.DeliveryReport": ("reason",),
    "courses.Erasure": (),
    "courses.GapOffer": ("status_reason",),
    "courses.HealingDecision": ("reason",),
    "courses.Message": ("provider_reference",),
    "courses.Observation": ("note", "status_reason"),
    "courses.Patient": ("given_name", "family_name"),
    "courses.PrecautionDecision": ("reason",),
    "courses.RecallPause": ("reason",),
    "courses.Session": ("note", "override_reason", "status_reason"),
    "courses.Tattoo": ("note",),
    "courses.WaitingListEntry": ("note", "status_reason"),
}
"""Words that somebody wrote, or that name somebody: written over where there are any."""

WORDS_OR_CODES: Final[Mapping[str, Mapping[str, frozenset[str]]]] = {
    "courses.Recall": {"status_reason": frozenset(one.value for one in RecallReason)},
}
"""Columns that hold a code of the service, which stays, or else words that somebody wrote."""

EMPTIED: Final[Mapping[str, tuple[str, ...]]] = {
    "courses.Consent": ("address",),
    "courses.ContactPoint": ("address", "address_index", "time_zone"),
}
"""Ways to reach the patient: empty afterwards."""

OTHERWISE: Final[Mapping[str, tuple[str, ...]]] = {
    "courses.ContactPoint": ("quiet_from", "quiet_until"),
    "courses.DeliveryReport": ("provider_id",),
    "courses.Patient": ("birth_date",),
    "courses.WaitingListEntry": ("wishes",),
}
"""Gone too, in a way of their own: of the birth date the year stays."""

FACTS: Final[Mapping[str, tuple[str, ...]]] = {
    "courses.Appointment": ("timeline", "wavelengths_nm", "next_advised_on"),
    "courses.AppointmentSeries": (),
    "courses.ClearanceGrade": ("graded_on",),
    "courses.ContactPoint": ("off_reason",),
    "courses.Course": ("consented_on", "started_on", "ended_on"),
    "courses.Erasure": ("reason", "retained_until"),
    "courses.ErasureDone": ("rows",),
    "courses.HealingDecision": ("rule_ids", "earliest_on"),
    "courses.HealingWindow": ("opened_on", "earliest_on", "advised_on"),
    "courses.HealingWindowVersion": ("earliest_on", "advised_on", "facts", "outcomes", "cause"),
    "courses.Message": ("status_reason",),
    "courses.Observation": ("observed_on", "began_on", "resolved_on"),
    "courses.Patient": ("language",),
    "courses.PrecautionAnswers": (
        "questionnaire_version",
        "answers",
        "answered_on",
        "expires_on",
    ),
    "courses.PrecautionDecision": ("precaution", "decided_on", "valid_until"),
    "courses.Recall": ("step", "template", "occasion"),
    "courses.RecallPause": ("until",),
    "courses.RecallPlan": ("ready_on", "standing", "paused_until"),
    "courses.ReplanRow": ("old", "new", "score", "reasons"),
    "courses.Reply": ("until",),
    "courses.Session": ("treated_on", "checks"),
    "courses.Tattoo": ("made_on",),
    "courses.TattooPart": ("cleared_on",),
    "courses.WaitingListEntry": ("technique",),
}
"""Codes, days and figures of the treatment, which statistics and the ledger stand on: they stay."""
