"""Chains, clinics, people and time. Concepts stand in modules; import them from here."""

from clinics.models.access import AccessToken, SignInFailure, SignInSession
from clinics.models.history import Change, RecordRead
from clinics.models.occupancy import Occupancy
from clinics.models.organisation import Chain, Clinic, Room
from clinics.models.people import Credential, Membership, Shift, StaffMember
from clinics.models.time import (
    Absence,
    Closure,
    HolidayOverride,
    OpeningRule,
    Reservation,
    Resource,
)

__all__ = [
    "Absence",
    "AccessToken",
    "Chain",
    "Change",
    "Clinic",
    "Closure",
    "Credential",
    "HolidayOverride",
    "Membership",
    "Occupancy",
    "OpeningRule",
    "RecordRead",
    "Reservation",
    "Resource",
    "Room",
    "Shift",
    "SignInFailure",
    "SignInSession",
    "StaffMember",
]
