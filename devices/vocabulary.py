"""The words of lasers and their logs, as closed sets of codes."""

from enum import StrEnum


class PulsePurpose(StrEnum):
    """Why pulses were fired."""

    TREATMENT = "treatment"
    TEST_FIRE = "test_fire"
    CALIBRATION = "calibration"
    CORRECTION = "correction"


class LockOutReason(StrEnum):
    """Why a laser may not fire."""

    SERVICE_DUE = "service_due"
    ENERGY_CHECK_FAILED = "energy_check_failed"
    FAULT = "fault"
    SAFETY = "safety"
    OTHER = "other"


class PartKind(StrEnum):
    """What wears out in a laser or a handpiece and is replaced; `counter`: what counts pulses."""

    FLASHLAMP = "flashlamp"
    CRYSTAL = "crystal"
    FILTER = "filter"
    WINDOW = "window"
    LENS = "lens"
    Q_SWITCH = "q_switch"
    COOLANT = "coolant"
    COUNTER = "counter"
    OTHER = "other"


class LedgerBreak(StrEnum):
    """What is wrong where a chain of the ledger breaks."""

    ENTRY_MISSING = "entry_missing"
    CONTENT_CHANGED = "content_changed"
    PREVIOUS_DIFFERS = "previous_differs"
    HEAD_DIFFERS = "head_differs"
    TAIL_MISSING = "tail_missing"
