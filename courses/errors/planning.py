"""What planning refuses: precautions and calibration."""

from core.errors import NotFound, Refused


class PrecautionsStand(Refused):
    """A precaution speaks against treating this patient; `findings` lists each with its basis."""

    code = "precautions_stand"
    title = "A precaution speaks against the treatment"


class NothingToClear(Refused):
    """No such precaution stands that a clinician may clear."""

    code = "nothing_to_clear"
    title = "There is no such precaution to clear"


class CalibrationUnknown(NotFound):
    """No such calibration run in the caller's chain."""

    code = "calibration_unknown"
    title = "No such calibration run"


class NothingProposed(Refused):
    """The run proposes nothing that could be accepted."""

    code = "nothing_proposed"
    title = "The calibration run proposes nothing"
