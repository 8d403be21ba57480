"""The words of the safety package, and where each table stands."""

from dataclasses import dataclass
from enum import StrEnum


class LimitSet(StrEnum):
    """A set of exposure limits. The two differ by a factor of 2.5 for 1 to 50 ns.

    `LOWER` computes both, each with its own factors and its own rules for trains, and takes the
    one whose result is lower; a row of one is never multiplied by a factor of the other.
    """

    EU2006 = "EU2006"
    IEC2014 = "IEC2014"
    LOWER = "LOWER"


class Tissue(StrEnum):
    """What a limit protects."""

    EYE = "eye"
    SKIN = "skin"


class Mode(StrEnum):
    """The letter of EN 207 for how a laser fires: continuous, long, short and shortest pulses."""

    D = "D"
    I = "I"  # noqa: E741 - the letter is the standard's
    R = "R"
    M = "M"


class IncidentKind(StrEnum):
    """What happened, or nearly did."""

    LOSS = "loss"
    EYE_EXPOSURE = "eye_exposure"
    BURN = "burn"
    FIRE = "fire"
    DEVICE_FAULT = "device_fault"
    ACCESS = "access"
    OTHER = "other"


class StartUpScope(StrEnum):
    """What is looked at before the first patient of a day."""

    LASER = "laser"
    ROOM = "room"


@dataclass(frozen=True, slots=True)
class Clause:
    """Where a value stands. `from_memory`: written down without the text at hand."""

    table: str
    text: str
    from_memory: bool = False


EU: str = "Directive 2006/25/EC, Annex II"
IEC: str = "IEC 60825-1:2014"

EU_EYE = Clause("2.2", f"{EU}, Table 2.2: eye, exposures shorter than 10 s")
EU_EYE_LONG = Clause("2.3", f"{EU}, Table 2.3: eye, from 10 s", from_memory=True)
EU_SKIN = Clause("2.4", f"{EU}, Table 2.4: skin")
EU_FACTORS = Clause("2.5", f"{EU}, Table 2.5: correction factors")
EU_TRAIN = Clause("2.6", f"{EU}, Table 2.6: repetitive exposure, rules 1 to 3")
IEC_EYE = Clause("A.1", f"{IEC}, Table A.1: eye (as in two open reprints)")
IEC_EYE_LONG = Clause("A.1", f"{IEC}, Table A.1: eye, from 10 s", from_memory=True)
IEC_CORNEA = Clause("A.5", f"{IEC}, Table A.5: eye not above the limit of skin", from_memory=True)
IEC_SKIN = Clause("A.5", f"{IEC}, Table A.5: skin")
IEC_FACTORS = Clause("9", f"{IEC}, Table 9: correction factors")
IEC_TRAIN = Clause("4.3 f", f"{IEC}, clause 4.3 f): repetitively pulsed, C5")
