"""Everything the devices store. Concepts stand in modules; import them from here."""

from devices.models.handpieces import Fitting, Handpiece
from devices.models.lasers import EmissionLine, Laser, LaserAuthorisation, LaserModel, LockOut
from devices.models.ledger import LedgerHead, PulseEntry
from devices.models.parts import Installation, Part

__all__ = [
    "EmissionLine",
    "Fitting",
    "Handpiece",
    "Installation",
    "Laser",
    "LaserAuthorisation",
    "LaserModel",
    "LedgerHead",
    "LockOut",
    "Part",
    "PulseEntry",
]
