"""The words of an organisation of clinics, as closed sets of codes."""

from enum import StrEnum


class Role(StrEnum):
    """What a member of staff may do, at one clinic or in the whole chain."""

    CHAIN_MANAGER = "chain_manager"
    FRONT_DESK = "front_desk"
    LASER_OPERATOR = "laser_operator"
    TREATING_CLINICIAN = "treating_clinician"
    LASER_SAFETY_OFFICER = "laser_safety_officer"
    INTEGRATOR = "integrator"


class Scope(StrEnum):
    """Where a role must be held for an action."""

    CLINIC = "clinic"
    ANYWHERE = "anywhere"
    CHAIN = "chain"


class ResourceKind(StrEnum):
    """What can be busy."""

    ROOM = "room"
    STAFF = "staff"
    LASER = "laser"
    HANDPIECE = "handpiece"
    PATIENT = "patient"


class ReservationReason(StrEnum):
    """Why a resource is busy."""

    APPOINTMENT = "appointment"
    HOLD = "hold"
    CLOSURE = "closure"
    SERVICE = "service"
    LEAVE = "leave"


class AbsenceReason(StrEnum):
    """Why a room, a member of staff or a device is not to be had: part of ReservationReason."""

    CLOSURE = "closure"
    SERVICE = "service"
    LEAVE = "leave"


class CredentialKind(StrEnum):
    """What a credential lets a member of staff do."""

    LASER_OPERATION = "laser_operation"
    LASER_SAFETY_OFFICER = "laser_safety_officer"
    CLINICAL_ASSESSMENT = "clinical_assessment"


class HolidayTreatment(StrEnum):
    """How a clinic treats one date, against the public calendar."""

    CLOSED = "closed"
    OPEN = "open"


class ChangeOperation(StrEnum):
    """HL7 FHIR R5 AuditEvent action, those that change something."""

    CREATED = "C"
    UPDATED = "U"
    DELETED = "D"
