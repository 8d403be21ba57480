"""Gaps in a diary: short words for what the tests of gap filling do."""

from datetime import timedelta

from core.spans import Span
from courses.selectors.gaps import OpenTime, gap_candidates
from courses.services.gaps import gap_offer_start
from tests.support.booking import NOW, TOMORROW_TEN

HOUR = Span(TOMORROW_TEN, TOMORROW_TEN + timedelta(hours=1))


def opened(stage, when=HOUR, **changes):
    return OpenTime(**{"clinic_id": stage.clinic.pk, "span": when, **changes})


def fitting(stage, when=HOUR, *, limit=10, now=NOW, **changes):
    found = gap_candidates(opened(stage, when, **changes), actor=stage.desk, now=now, limit=limit)
    return [one.entry.pk for one in found]


def start(stage, *, minutes=30, now=NOW, when=HOUR):
    return gap_offer_start(
        opened=opened(stage, when), hold_minutes=minutes, actor=stage.desk, now=now
    )


def turns(gap):
    return list(gap.offers.order_by("position").values_list("status", flat=True))


def respond(caller, gap, position, answer, body=None):
    path = f"/gap-offers/{gap.offers.get(position=position).pk}"
    return caller.client.post(
        f"/api/v1{path}/{answer}",
        body or {},
        format="json",
        headers={"If-Match": caller.etag(path)},
    )
