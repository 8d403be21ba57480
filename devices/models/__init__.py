"""Everything the devices store. Concepts stand in modules; import them from here."""

from devices.models.handpieces import Fitting, Handpiece
from devices.models.lasers import EmissionLine, Laser, LaserAuthorisation, LaserModel, LockOut
from devices.models.ledger import PulseEntry

__all__ = [
    "EmissionLine",
    "Fitting",
    "Handpiece",
    "Laser",
    "LaserAuthorisation",
    "LaserModel",
    "LockOut",
    "PulseEntry",
]
