"""How long a reaction of the skin usually lasts, and which ones have outlasted that.

A flag never moves a date: it says that somebody should look. Sources as in each row.
"""

from dataclasses import dataclass
from datetime import date, timedelta

from courses.healing.facts import Facts, Observation
from courses.science.basis import Kind
from courses.vocabulary import BodySite, ObservationKind


@dataclass(frozen=True, slots=True)
class TimeCourse:
    """The usual course of one reaction, in days after the treatment."""

    kind: ObservationKind
    onset_days: tuple[float, float]
    usual_days: tuple[float, float]
    refer_after_days: int
    support: Kind
    source: str


TIME_COURSES: tuple[TimeCourse, ...] = (
    TimeCourse(ObservationKind.ERYTHEMA, (0, 0), (1, 7), 7, Kind.MEMORY, "from memory"),
    TimeCourse(
        ObservationKind.SWELLING,
        (0, 0),
        (0, 7),
        7,
        Kind.PUBLISHED,
        "Saedi 2012, Arch Dermatol 148:1360: swelling and blisters gone within 1 week",
    ),
    TimeCourse(
        ObservationKind.RAISED,
        (0, 0),
        (0, 7),
        42,
        Kind.COMMON_PRACTICE,
        "settles within about a week, in some people only after about six weeks",
    ),
    TimeCourse(ObservationKind.BLISTER, (0.5, 3), (7, 14), 14, Kind.MEMORY, "from memory"),
    TimeCourse(ObservationKind.CRUST, (1, 3), (7, 14), 14, Kind.MEMORY, "body; from memory"),
    TimeCourse(ObservationKind.EROSION, (0, 3), (14, 28), 28, Kind.MEMORY, "from memory"),
    TimeCourse(
        ObservationKind.HYPERPIGMENTATION,
        (14, 42),
        (60, 730),
        90,
        Kind.PUBLISHED,
        "JEADV 2013 review: months to years in skin types III to VI; onset from memory",
    ),
    TimeCourse(ObservationKind.PIGMENT_LOSS, (28, 56), (90, 365), 90, Kind.MEMORY, "from memory"),
    TimeCourse(ObservationKind.TEXTURE_CHANGE, (7, 30), (30, 90), 90, Kind.MEMORY, "from memory"),
)

FACE_CRUST = TimeCourse(
    ObservationKind.CRUST,
    (1, 3),
    (3, 5),
    14,
    Kind.PUBLISHED,
    "Moustafa 2020: crusts on the face 3 to 5 days after picosecond pulses",
)


@dataclass(frozen=True, slots=True)
class Flag:
    """A reaction that lasts longer than usual; `since` is the day it passed the usual time."""

    kind: ObservationKind
    key: str
    since: date
    refer: bool
    text: str
    source: str


def time_course(kind: ObservationKind, *, site: BodySite | None = None) -> TimeCourse | None:
    """The usual course of a reaction (crusts on the head heal faster), or None."""
    if kind is ObservationKind.CRUST and site is BodySite.HEAD:
        return FACE_CRUST
    return next((course for course in TIME_COURSES if course.kind is kind), None)


def unusual(facts: Facts) -> tuple[Flag, ...]:
    """The reactions that have lasted, or lasted, longer than they usually do."""
    flags = (_flag(facts, seen=seen) for seen in facts.observations)
    return tuple(flag for flag in flags if flag is not None)


def _flag(facts: Facts, *, seen: Observation) -> Flag | None:
    course = time_course(seen.kind, site=facts.site)
    if course is None:
        return None
    until = seen.resolved_on or _last_known(facts, seen=seen)
    day = (until - facts.treated_on).days
    usual = course.usual_days[1]
    if day <= usual:
        return None
    refer = day > course.refer_after_days
    name = seen.kind.value.replace("_", " ")
    return Flag(
        kind=seen.kind,
        key=seen.key,
        since=facts.treated_on + timedelta(days=int(usual)),
        refer=refer,
        text=f"{name.capitalize()} on day {day}; usually gone by day {usual:g}."
        + (" A physician should see it." if refer else ""),
        source=course.source,
    )


def _last_known(facts: Facts, *, seen: Observation) -> date:
    flat = [
        item.observed_on
        for item in facts.observations
        if item.kind is ObservationKind.FLAT and item.observed_on >= seen.observed_on
    ]
    return min(flat) if seen.kind is ObservationKind.RAISED and flat else facts.today
