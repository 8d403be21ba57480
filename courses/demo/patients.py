"""Invented patients with tattoos and a course each, as rows not yet written."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from random import Random

from clinics.models import Chain, Resource
from clinics.vocabulary import ResourceKind
from courses.demo.moment import Moment
from courses.demo.names import email_of, people, phone_of
from courses.demo.organisation import Organisation, Site
from courses.demo.stages import Stage, stages_for
from courses.models import (
    ClearanceGrade,
    Consent,
    ContactPoint,
    Course,
    Patient,
    Tattoo,
    TattooPart,
)
from courses.science.grading import CLEAR_FROM
from courses.slots import TimeWish
from courses.timing.words import ConsentDecision, MessagePurpose
from courses.vocabulary import (
    BodySite,
    Channel,
    CourseGoal,
    InkAmount,
    InkColour,
    Scarring,
    Technique,
)

Mix = tuple[tuple[InkColour, Technique, float], ...]

BLACK = ((InkColour.BLACK, Technique.OUTLINE, 1.0),)
SHADED = (
    (InkColour.BLACK, Technique.OUTLINE, 0.4),
    (InkColour.BLACK, Technique.SHADING, 0.6),
)
AMATEUR = ((InkColour.BLUE_BLACK, Technique.OUTLINE, 1.0),)
PLAIN_MIXES: tuple[Mix, ...] = (BLACK, SHADED, AMATEUR)
COLOUR_MIXES: tuple[Mix, ...] = (
    ((InkColour.BLACK, Technique.OUTLINE, 0.55), (InkColour.RED, Technique.SOLID_FILL, 0.45)),
    (
        (InkColour.BLACK, Technique.OUTLINE, 0.4),
        (InkColour.GREEN, Technique.SOLID_FILL, 0.35),
        (InkColour.RED, Technique.SOLID_FILL, 0.25),
    ),
    (
        (InkColour.BLACK, Technique.OUTLINE, 0.35),
        (InkColour.BLUE, Technique.SOLID_FILL, 0.3),
        (InkColour.TURQUOISE, Technique.SHADING, 0.2),
        (InkColour.YELLOW, Technique.SOLID_FILL, 0.15),
    ),
    (
        (InkColour.BLACK, Technique.OUTLINE, 0.5),
        (InkColour.PURPLE, Technique.SHADING, 0.42),
        (InkColour.WHITE, Technique.SOLID_FILL, 0.08),
    ),
    (
        (InkColour.DARK_BLUE, Technique.OUTLINE, 0.6),
        (InkColour.ORANGE, Technique.SOLID_FILL, 0.4),
    ),
    ((InkColour.BLACK, Technique.SOLID_FILL, 0.7), (InkColour.GREEN, Technique.SHADING, 0.3)),
)
# How much of what is left goes in one session on a fitting line: made up, of a plausible size.
RATE = {Technique.OUTLINE: 0.2, Technique.SOLID_FILL: 0.25, Technique.SHADING: 0.31}
SITES = (
    (BodySite.FOREARM, 24),
    (BodySite.UPPER_ARM, 22),
    (BodySite.LOWER_LEG, 15),
    (BodySite.UPPER_TRUNK, 14),
    (BodySite.LOWER_TRUNK, 7),
    (BodySite.HAND, 6),
    (BodySite.FOOT, 4),
    (BodySite.THIGH, 4),
    (BodySite.NECK, 4),
)
SKIN = ((1, 8), (2, 28), (3, 32), (4, 18), (5, 10), (6, 4))
WISHES = (
    (),
    (),
    (),
    (TimeWish(since=time(14)),),
    (TimeWish(weekdays=frozenset({5, 6})), TimeWish(since=time(16))),
    (TimeWish(until=time(13)),),
)


@dataclass(slots=True)
class Part:
    """A part, how fast it goes, and how much of it has gone by now."""

    row: TattooPart
    rate: float
    gone: float = 0.0
    grades: list[ClearanceGrade] = field(default_factory=list)


@dataclass(slots=True)
class Case:
    """One patient with one course, and where in it they are to stand today."""

    number: int
    stage: Stage
    site: Site
    patient: Patient
    contact_points: list[ContactPoint]
    consents: list[Consent]
    tattoos: list[Tattoo]
    parts: list[Part]
    course: Course
    wishes: tuple[TimeWish, ...]
    passes: int
    chance: Random

    def left(self) -> list[Part]:
        """The parts that are not marked as gone."""
        return [part for part in self.parts if part.row.cleared_on is None]


def make_cases(organisation: Organisation, moment: Moment, *, patients: int) -> list[Case]:
    """The patients of all clinics, in an order that mixes stages and clinics."""
    chance = moment.chance("patients", patients)
    stages = stages_for(patients)
    chance.shuffle(stages)
    names = people(patients, chance=chance)
    sites = chance.choices(
        organisation.sites, [site.sketch.share for site in organisation.sites], k=patients
    )
    return [
        _case(number, stage=stage, site=site, name=name, moment=moment)
        for number, (stage, site, name) in enumerate(zip(stages, sites, names, strict=True), 1)
    ]


def _case(number: int, *, stage: Stage, site: Site, name: tuple[str, str], moment: Moment) -> Case:
    chance = moment.chance("case", number)
    chain = site.clinic.chain
    patient = _patient(name, site=site, chain=chain, chance=chance, moment=moment)
    lighten = stage not in {Stage.COMPLETED, Stage.BARRED} and chance.random() < 0.1
    course = Course(
        chain=chain,
        clinic=site.clinic,
        patient=patient,
        goal=CourseGoal.LIGHTEN if lighten else CourseGoal.CLEAR,
        target_clearance=chance.choice((0.5, 0.75)) if lighten else CLEAR_FROM,
    )
    tattoos = [_tattoo(patient, chance=chance, moment=moment)]
    if stage is not Stage.COMPLETED and chance.random() < 0.14:
        tattoos.append(_tattoo(patient, chance=chance, moment=moment))
    area = sum(tattoo.area_cm2 for tattoo in tattoos)
    reached = list(
        _contact_points(patient, number=number, stage=stage, chance=chance, moment=moment)
    )
    return Case(
        number=number,
        stage=stage,
        site=site,
        patient=patient,
        contact_points=[point for point, _ in reached],
        consents=[consent for _, consents in reached for consent in consents],
        tattoos=tattoos,
        parts=[
            part
            for tattoo in tattoos
            for part in _parts(tattoo, plain=stage is Stage.COMPLETED, chance=chance)
        ],
        course=course,
        wishes=chance.choice(WISHES),
        passes=2 if area < 90 and chance.random() < 0.4 else 1,
        chance=chance,
    )


def _patient(
    name: tuple[str, str], *, site: Site, chain: Chain, chance: Random, moment: Moment
) -> Patient:
    given, family = name
    skin, weights = zip(*SKIN, strict=True)
    return Patient(
        chain=chain,
        home_clinic=site.clinic,
        resource=Resource(chain=chain, kind=ResourceKind.PATIENT),
        given_name=given,
        family_name=family,
        birth_date=moment.days_ago(365 * chance.randint(20, 63) + chance.randint(0, 364)),
        skin_type=chance.choices(skin, weights)[0],
        smoker=chance.random() < 0.22,
        language=site.sketch.language,
    )


def _contact_points(
    patient: Patient, *, number: int, stage: Stage, chance: Random, moment: Moment
) -> Iterator[tuple[ContactPoint, list[Consent]]]:
    """E-mail for most; some only by phone, some opted out, some want quiet nights.

    Those whose window closes while a visitor watches can be written to at any hour. Each comes
    with what the patient said about it.
    """
    watched = stage is Stage.CLOSING
    consent = moment.now - timedelta(days=chance.randint(370, 380))
    quiet = not watched and chance.random() < 0.3
    consents = watched or _writes(stage, number=number, chance=chance)
    email = ContactPoint(
        patient=patient,
        channel=Channel.EMAIL,
        address=email_of(patient.given_name, patient.family_name),
        rank=1,
        quiet_from=time(20) if quiet else None,
        quiet_until=time(8) if quiet else None,
    )
    said = _said(email, at=consent, source="Consent form at the first visit") if consents else []
    if consents and not watched and chance.random() < 0.05:
        said += _said(
            email,
            at=consent + timedelta(days=chance.randint(60, 300)),
            source="Told the front desk",
            decision=ConsentDecision.WITHDRAWN,
        )
    yield email, said
    if chance.random() < (0.4 if consents else 0.7):
        other = ContactPoint(
            patient=patient,
            channel=chance.choice((Channel.SMS, Channel.PHONE)) if consents else Channel.PHONE,
            address=phone_of(number),
            rank=2,
            time_zone="Atlantic/Azores" if chance.random() < 0.05 else "",
        )
        yield other, _said(other, at=consent, source="By word of mouth at the front desk")


def _said(
    point: ContactPoint,
    *,
    at: datetime,
    source: str,
    decision: ConsentDecision = ConsentDecision.GIVEN,
) -> list[Consent]:
    """One decision for every purpose."""
    return [
        Consent(
            contact_point=point,
            purpose=purpose,
            decision=decision,
            decided_at=at,
            source=source,
            address=point.address,
            recorded_at=at,
        )
        for purpose in MessagePurpose
    ]


def _writes(stage: Stage, *, number: int, chance: Random) -> bool:
    """Whether the patient wants e-mail; of those who are due a third wants calls or nothing."""
    if stage is Stage.DUE:
        return number % 3 != 0
    return chance.random() < 0.9


def _tattoo(patient: Patient, *, chance: Random, moment: Moment) -> Tattoo:
    sites, weights = zip(*SITES, strict=True)
    age_days = 365 * chance.randint(1, 24)
    return Tattoo(
        patient=patient,
        site=chance.choices(sites, weights)[0],
        area_cm2=round(min(400.0, max(4.0, chance.lognormvariate(3.9, 0.8))), 1),
        ink_amount=chance.choices(list(InkAmount), (20, 30, 35, 15))[0],
        scarring=chance.choices(list(Scarring), (70, 18, 9, 3))[0],
        layered=chance.random() < 0.08,
        palpable=chance.random() < 0.15,
        made_on=_first_of_month(moment.days_ago(400 + age_days)),
    )


def _parts(tattoo: Tattoo, *, plain: bool, chance: Random) -> Iterator[Part]:
    colourful = not plain and chance.random() < 0.45
    mix = chance.choice(COLOUR_MIXES if colourful else PLAIN_MIXES)
    if mix is AMATEUR:
        tattoo.ink_amount = InkAmount.AMATEUR
    for colour, technique, share in mix:
        yield Part(
            TattooPart(tattoo=tattoo, colour=colour, technique=technique, share=share),
            rate=RATE[technique] * chance.uniform(0.7, 1.3),
        )


def _first_of_month(day: date) -> date:
    return day.replace(day=1)
