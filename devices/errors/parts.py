"""What parts and their installations refuse."""

from core.errors import Conflict, NotFound, Refused


class PartUnknown(NotFound):
    """No such part in the caller's chain."""

    code = "part_unknown"
    title = "No such part"


class InstallationUnknown(NotFound):
    """No such installation in the caller's chain."""

    code = "installation_unknown"
    title = "No such installation"


class PartTaken(Conflict):
    """A part of this kind and serial number exists."""

    code = "part_taken"
    title = "A part of this kind and serial number exists"


class PartInstalled(Conflict):
    """The part sits somewhere at or after that instant."""

    code = "part_installed"
    title = "The part is installed at or after that instant"


class InstallationOver(Conflict):
    """The part was taken out."""

    code = "installation_over"
    title = "The part was taken out already"


class PartOutOfService(Refused):
    """Only a part in service is installed."""

    code = "part_out_of_service"
    title = "The part is not in service"
