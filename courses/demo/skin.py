"""How the skin takes each session: made up, at rates of a plausible size."""

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

from courses.demo.stages import Stage
from courses.vocabulary import ObservationKind, Severity, SkinResponse

Kind = ObservationKind


@dataclass(frozen=True, slots=True)
class Reaction:
    """What is seen so many days after a session, and on which day it has gone (None: not)."""

    kind: ObservationKind
    seen: int
    gone: int | None = None
    severity: Severity = Severity.MILD


@dataclass(frozen=True, slots=True)
class Healing:
    """What follows one session, in days after it.

    A clinician releases its holds on day `released`; on day `gold_told` the patient tells of gold
    medication; None: never.
    """

    reactions: tuple[Reaction, ...] = ()
    response: SkinResponse | None = None
    released: int | None = None
    gold_told: int | None = None


HOLDING: tuple[tuple[ObservationKind, tuple[int, int], str], ...] = (
    (Kind.INFECTION_SIGN, (3, 7), "Seen again: no sign of infection any longer"),
    (Kind.PIGMENT_LOSS, (29, 31), "Pigment is coming back; patient informed"),
    (Kind.DARKENING, (2, 5), "Test spot without darkening at the other wavelength"),
    (Kind.SCAR, (20, 30), "Flat and soft; no hypertrophic change"),
)
RELEASED_BECAUSE = {kind: reason for kind, _, reason in HOLDING}


def healing_after(stage: Stage, *, last: bool, chance: Random) -> Healing:
    """What follows a session of a course that is to reach a stage."""
    if last and stage is Stage.HELD:
        return _held(chance)
    if last and stage is Stage.CLOSING:
        return Healing(tuple(_mild(chance)))
    if stage is Stage.BARRED:
        return Healing(tuple(_mild(chance)), gold_told=chance.randint(20, 30))
    if chance.random() < 0.02:
        kind, (first, latest), _ = chance.choice(HOLDING)
        seen = chance.randint(first, latest)
        held = Reaction(kind, seen, severity=Severity.MODERATE)
        return Healing((*_mild(chance), held), released=seen + chance.randint(6, 9))
    return Healing((*_mild(chance), *_lengthening(chance)))


def _held(chance: Random) -> Healing:
    """Somebody has to look: five ways in which a window is held."""
    way = chance.randrange(6)
    if way == 4:
        return Healing((Reaction(Kind.CRUST, 4, None, Severity.MODERATE),))
    if way == 5:
        return Healing(response=SkinResponse.TORN_EPIDERMIS)
    kind, (first, latest), _ = HOLDING[way]
    return Healing((Reaction(kind, chance.randint(first, latest), None, Severity.MODERATE),))


def _mild(chance: Random) -> Iterator[Reaction]:
    """What is gone in time, so that the usual weeks hold."""
    if chance.random() < 0.2:
        yield Reaction(Kind.ERYTHEMA, 1, chance.randint(3, 7))
    if chance.random() < 0.12:
        yield Reaction(Kind.SWELLING, 1, chance.randint(3, 6))
    if chance.random() < 0.14:
        yield Reaction(Kind.BLISTER, chance.randint(1, 3), chance.randint(8, 13))
    if chance.random() < 0.12:
        yield Reaction(Kind.CRUST, chance.randint(3, 5), chance.randint(8, 13))
    if chance.random() < 0.06:
        yield Reaction(Kind.RAISED, 7, None)
        yield Reaction(Kind.FLAT, chance.randint(20, 35), None)


def _lengthening(chance: Random) -> Iterator[Reaction]:
    """What makes a window longer."""
    way = chance.random()
    if way < 0.03:
        yield Reaction(Kind.EROSION, 4, chance.randint(17, 24), Severity.MODERATE)
    elif way < 0.06:
        yield Reaction(Kind.HYPERPIGMENTATION, chance.randint(29, 35), None, Severity.MODERATE)
    elif way < 0.09:
        yield Reaction(Kind.TAN, chance.randint(18, 36), None)
