"""What laser models and their lines refuse."""

from core.errors import Conflict, Malformed, NotFound, Refused


class LaserModelUnknown(NotFound):
    """No such laser model in the caller's chain."""

    code = "laser_model_unknown"
    title = "No such laser model"


class LineUnknown(NotFound):
    """No such emission line in the caller's chain."""

    code = "emission_line_unknown"
    title = "No such emission line"


class CredentialUnknown(NotFound):
    """No such credential in the caller's chain."""

    code = "credential_unknown"
    title = "No such credential"


class NameTaken(Conflict):
    """The chain has a laser model of this name."""

    code = "laser_model_name_taken"
    title = "A laser model of this name exists"


class LineTaken(Conflict):
    """The laser model has this line already."""

    code = "emission_line_taken"
    title = "The laser model has a line of this wavelength and pulse duration"


class InUse(Conflict):
    """Other records stand on this one, so that it cannot go or change its nature."""

    code = "device_in_use"
    title = "Other records stand on this one"


class AuthorisationTaken(Conflict):
    """The credential names this laser model already."""

    code = "laser_authorisation_taken"
    title = "The credential names this laser model already"


class LinesMalformed(Malformed):
    """The lines or spots of an emission line or handpiece do not fit together."""

    code = "lines_malformed"
    title = "The lines or spot sizes do not fit together"


class SpotNotListed(Refused):
    """The spot is none of those that the line can be set to."""

    code = "spot_not_listed"
    title = "The line has no such spot size"


class BeyondLine(Refused):
    """More than the emission line can deliver."""

    code = "beyond_emission_line"
    title = "More than the emission line can deliver"
