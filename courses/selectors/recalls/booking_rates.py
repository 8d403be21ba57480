"""How many invitations were followed by a booking, by step and channel."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from clinics.querysets import HasChain
from core.prepared import Prepared
from courses.science.binomial import Share, share_of

WITHIN: Final = timedelta(days=28)

# A booking counts for the last invitation before it, if it came soon enough. What is only held is
# none: confirming a hold takes its end away.
RATES: Final = Prepared("""
    SELECT recall.step, message.channel, count(*), count(*) FILTER (WHERE followed.booked),
        count(*) FILTER (
            WHERE NOT followed.booked
            AND message.sent_at > %(now)s::timestamptz - %(within)s::interval
        )
    FROM courses_message AS message
    JOIN courses_recall AS recall ON recall.id = message.recall_id
    JOIN courses_course AS course ON course.id = recall.course_id
    CROSS JOIN LATERAL (
        SELECT EXISTS (
            SELECT FROM courses_appointment AS visit
            WHERE visit.course_id = course.id AND visit.status <> 'entered-in-error'
            AND visit.hold_expires_at IS NULL AND visit.created_at >= message.sent_at
            AND visit.created_at < message.sent_at + %(within)s::interval
            AND NOT EXISTS (
                SELECT FROM courses_message AS later
                JOIN courses_recall AS its ON its.id = later.recall_id
                WHERE its.course_id = course.id AND its.kind = 'invitation'
                AND later.status = 'completed' AND later.sent_at > message.sent_at
                AND later.sent_at <= visit.created_at
            )
        ) AS booked
    ) AS followed
    WHERE course.chain_id = %(chain)s::bigint AND recall.kind = 'invitation'
    AND message.status = 'completed' AND message.sent_at IS NOT NULL
    AND message.sent_at >= %(since)s::date AND message.sent_at < %(until)s::date
    AND (%(clinics)s::bigint[] IS NULL OR course.clinic_id = ANY (%(clinics)s::bigint[]))
    GROUP BY recall.step, message.channel ORDER BY recall.step, message.channel
""")


@dataclass(frozen=True, slots=True)
class BookingRate:
    """Of the invitations of one step by one channel, those that a booking followed.

    `pending` are without one and young enough to count it still.
    """

    step: str
    channel: str
    share: Share
    pending: int


def booking_rates(
    *,
    since: date,
    until: date,
    clinics: Sequence[int] | None,
    level: float,
    actor: HasChain,
    now: datetime,
) -> list[BookingRate]:
    """Rates of invitations sent from `since` to before `until` (UTC days). One query.

    The rate says what followed, not what caused it.
    """
    rows = RATES.rows(
        chain=actor.chain_id,
        since=since,
        until=until,
        within=WITHIN,
        now=now,
        clinics=list(clinics) if clinics is not None else None,
    )
    return [
        BookingRate(step, channel, share_of(booked, cases=sent, level=level), pending)
        for step, channel, sent, booked, pending in rows
    ]
