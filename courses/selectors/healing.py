"""From when a course may be treated again: the newest healing window of each of its tattoos."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final

from django.db.models import OuterRef, QuerySet, Subquery
from django.db.models.functions import JSONObject

from core.prepared import Prepared
from courses.healing import REGISTRY
from courses.models import Course, HealingWindow, Tattoo
from courses.vocabulary import SessionStatus, WindowState

GOLD = REGISTRY["healing.gold"]

# The windows of `windows_of_course`, as `earliest_of` reads them, for a row called `course`.
WINDOW_ROWS_SQL: Final = """
    SELECT json_agg(json_build_object(
        'id', id, 'state', state, 'earliest', earliest_on, 'advised', advised_on,
        'closes', closes_at
    ) ORDER BY id)
    FROM courses_healingwindow WHERE id IN (
        SELECT newest.id FROM courses_course_tattoos AS own CROSS JOIN LATERAL (
            SELECT heals.id FROM courses_tattoopart AS part
            JOIN courses_treatmentpass_parts AS treated ON treated.tattoopart_id = part.id
            JOIN courses_treatmentpass AS pass ON pass.id = treated.treatmentpass_id
            JOIN courses_session AS session ON session.id = pass.session_id
            JOIN courses_healingwindow AS heals ON heals.session_id = session.id
            WHERE part.tattoo_id = own.tattoo_id AND session.status <> 'entered-in-error'
            ORDER BY session.started_at DESC, heals.id DESC LIMIT 1
        ) AS newest
        WHERE own.course_id = course.id
    )
"""
EARLIEST: Final = Prepared(
    """
    SELECT patient.gold_therapy_ever, chain.search_policy::json, ({windows})
    FROM courses_course AS course
    JOIN courses_patient AS patient ON patient.id = course.patient_id
    JOIN clinics_chain AS chain ON chain.id = course.chain_id
    WHERE course.id = %(course)s::bigint
    """.replace("{windows}", WINDOW_ROWS_SQL)
)


@dataclass(frozen=True, slots=True)
class Earliest:
    """When the skin of a course may be treated again.

    `on` and `advised_on` are local dates of the clinic that treated last, `closes_at` the instant
    at which `on` begins there; None when nothing has been treated yet. `held` lists the windows
    that a clinician must look at; `never` those that close for no date. `gold_ever`: the patient
    took gold medication, so that no date will do, window or not.
    """

    on: date | None
    advised_on: date | None
    held: tuple[int, ...]
    never: tuple[int, ...]
    closes_at: datetime | None = None
    gold_ever: bool = False

    @property
    def open_to_treatment(self) -> bool:
        """Whether a date can be said at all."""
        return not self.held and not self.barred

    @property
    def barred(self) -> bool:
        """Whether the skin may never be treated again."""
        return bool(self.never) or self.gold_ever


def windows_of_course(course: Any) -> QuerySet[HealingWindow]:
    """The windows that count for a course (a key or an OuterRef): the newest of each tattoo.

    Windows of earlier courses count too: it is the same skin. Sessions entered in error do not.
    """
    inner = OuterRef(course) if isinstance(course, OuterRef) else course
    newest = (
        _standing()
        .filter(session__passes__parts__tattoo=OuterRef("pk"))
        .order_by("-session__started_at", "-pk")
        .values("pk")[:1]
    )
    tattoos = Tattoo.objects.filter(courses=inner).annotate(newest_window=Subquery(newest))
    return HealingWindow.objects.filter(pk__in=tattoos.values("newest_window"))


def windows_of_tattoos(tattoo_ids: Iterable[int]) -> QuerySet[HealingWindow]:
    """The newest window of each of these tattoos, with session, clinic and course."""
    newest = (
        _standing()
        .filter(session__passes__parts__tattoo=OuterRef("pk"))
        .order_by("-session__started_at", "-pk")
        .values("pk")[:1]
    )
    tattoos = Tattoo.objects.filter(pk__in=list(tattoo_ids)).annotate(
        newest_window=Subquery(newest)
    )
    return HealingWindow.objects.filter(pk__in=tattoos.values("newest_window")).select_related(
        "session__clinic", "course"
    )


def window_rows(course: Any) -> QuerySet[HealingWindow, Any]:
    """Those of `windows_of_course` as JSON rows, for a subquery beside the course."""
    return windows_of_course(course).values(
        row=JSONObject(
            id="pk",
            state="state",
            earliest="earliest_on",
            advised="advised_on",
            closes="closes_at",
        )
    )


def earliest_for_course(course: Course) -> Earliest:
    """From when the course may be treated again. One query."""
    return earliest_and_policy(course)[0]


def earliest_and_policy(course: Course) -> tuple[Earliest, Mapping[str, Any]]:
    """From when the course may be treated again, and the chain's policy of search. One query."""
    [(gold_ever, policy, windows)] = EARLIEST.rows(course=course.pk)
    return earliest_of(windows or (), gold_ever=gold_ever), policy


def earliest_of(rows: Iterable[Mapping[str, Any]], *, gold_ever: bool = False) -> Earliest:
    """The latest of several windows, given as `window_rows` gives them."""
    rows = list(rows)

    def latest(field: str) -> date | None:
        dates = [date.fromisoformat(row[field]) for row in rows if row[field]]
        return max(dates, default=None)

    def in_state(state: WindowState) -> tuple[int, ...]:
        return tuple(sorted({row["id"] for row in rows if row["state"] == state}))

    closings = [datetime.fromisoformat(row["closes"]) for row in rows if row["closes"]]
    return Earliest(
        on=latest("earliest"),
        advised_on=latest("advised"),
        held=in_state(WindowState.HELD),
        never=in_state(WindowState.NEVER),
        closes_at=max(closings, default=None),
        gold_ever=gold_ever,
    )


def _standing() -> QuerySet[HealingWindow]:
    return HealingWindow.objects.exclude(session__status=SessionStatus.ENTERED_IN_ERROR)
