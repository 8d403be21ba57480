"""Test fires before the first patient of the day, and what was corrected of them."""

from collections.abc import Iterator, Sequence
from datetime import timedelta

from courses.demo.moment import Moment
from courses.demo.organisation import Person
from courses.demo.treatment import Treatment
from devices.models import PulseEntry
from devices.vocabulary import PulsePurpose

BEFORE_FIRST_PATIENT = timedelta(minutes=12)
SHORTEST, LONGEST = 8, 25


def test_fires(treatments: Sequence[Treatment], moment: Moment) -> Iterator[PulseEntry]:
    """A few pulses on each line a laser is used on that day, some minutes before its first use."""
    chance = moment.chance("test fires")
    seen: set[tuple[str, int, object]] = set()
    for treatment in treatments:
        for shot in treatment.shots:
            nm = shot.line.sketch.wavelength_nm
            key = (treatment.laser.row.serial, nm, treatment.treated_on)
            if key in seen:
                continue
            seen.add(key)
            yield PulseEntry(
                laser=treatment.laser.row,
                handpiece=shot.tip.row,
                line=shot.line.row,
                pulses=chance.randint(SHORTEST, LONGEST),
                purpose=PulsePurpose.TEST_FIRE,
                operator=treatment.operator.member,
                fired_at=treatment.started_at - BEFORE_FIRST_PATIENT,
                entry_key=f"test-fire:{treatment.treated_on}:{nm}",
            )


def corrections(
    fires: Sequence[PulseEntry], *, officer: Person, moment: Moment
) -> Iterator[PulseEntry]:
    """Some test fires were entered with a digit too many; the mending stands beside them."""
    chance = moment.chance("corrections")
    for entry in chance.sample(list(fires), min(4, len(fires))):
        yield PulseEntry(
            laser=entry.laser,
            handpiece=entry.handpiece,
            line=entry.line,
            pulses=-chance.randint(1, SHORTEST - 1),
            purpose=PulsePurpose.CORRECTION,
            operator=officer.member,
            fired_at=entry.fired_at,
            corrects=entry,
            reason="Counter read again after the test fire",
            source=entry.source,
            entry_key=f"correction:{entry.pk}",
        )
