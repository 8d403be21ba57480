"""What meters and energy checks refuse."""

from core.errors import Conflict, NotFound, Refused


class MeterUnknown(NotFound):
    """No such meter in the caller's chain."""

    code = "meter_unknown"
    title = "No such meter"


class EnergyCheckUnknown(NotFound):
    """No such energy check in the caller's chain."""

    code = "energy_check_unknown"
    title = "No such energy check"


class MeterTaken(Conflict):
    """A meter of this serial number exists."""

    code = "meter_taken"
    title = "A meter of this serial number exists"


class CertificateMalformed(Refused):
    """A certificate is valid from the day it was made, which has come, to a later one."""

    code = "certificate_malformed"
    title = "A certificate counts from the day it was made on"


class MeterOutOfService(Refused):
    """Only a meter in service measures."""

    code = "meter_out_of_service"
    title = "The meter is not in service"


class CertificateExpired(Refused):
    """The meter's certificate does not count on the day of the check."""

    code = "certificate_expired"
    title = "The meter's certificate does not count on that day"


class TooFewReadings(Refused):
    """A setting is read at least as often as the chain's policy says."""

    code = "too_few_readings"
    title = "Too few readings"


class SettingBeyondLine(Refused):
    """The line cannot be set to this energy or spot."""

    code = "setting_beyond_line"
    title = "The line cannot be set so"


class CheckVoided(Conflict):
    """The check was voided already."""

    code = "energy_check_voided"
    title = "The energy check was voided already"


class CheckVerifies(Conflict):
    """A lock-out was released, or a service done, on the strength of this check."""

    code = "energy_check_verifies"
    title = "Something was released on the strength of this energy check"
