"""Everything the devices store. Concepts stand in modules; import them from here."""

from devices.models.checks import EnergyCheck, EnergyCheckVoid, Meter
from devices.models.counters import (
    Counter,
    CounterDifference,
    CounterImport,
    CounterLayout,
    CounterReading,
    CounterReconciliation,
)
from devices.models.duties import (
    DutyPolicy,
    DutyRecord,
    Incident,
    IncidentClock,
    IncidentNote,
    OfficerAppointment,
    StartUpCheck,
)
from devices.models.eyewear import AccompanyingEmission, Eyewear, EyewearPolicy
from devices.models.handpieces import Fitting, Handpiece
from devices.models.lasers import EmissionLine, Laser, LaserAuthorisation, LaserModel, LockOut
from devices.models.ledger import LedgerHead, PulseEntry
from devices.models.parts import Installation, Part
from devices.models.service import ServicePlan, ServiceVisit

__all__ = [
    "AccompanyingEmission",
    "Counter",
    "CounterDifference",
    "CounterImport",
    "CounterLayout",
    "CounterReading",
    "CounterReconciliation",
    "DutyPolicy",
    "DutyRecord",
    "EmissionLine",
    "EnergyCheck",
    "EnergyCheckVoid",
    "Eyewear",
    "EyewearPolicy",
    "Fitting",
    "Handpiece",
    "Incident",
    "IncidentClock",
    "IncidentNote",
    "Installation",
    "Laser",
    "LaserAuthorisation",
    "LaserModel",
    "LedgerHead",
    "LockOut",
    "Meter",
    "OfficerAppointment",
    "Part",
    "PulseEntry",
    "ServicePlan",
    "ServiceVisit",
    "StartUpCheck",
]
