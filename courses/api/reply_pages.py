"""The pages at a patient's address: plain HTML with forms, no scripts, nothing from elsewhere."""

from base64 import b64encode
from datetime import date, datetime, timedelta
from functools import cache
from hashlib import sha256
from http import HTTPStatus
from typing import Any, Final
from urllib.parse import urlsplit

from csp.constants import HEADER, NONE, SELF
from csp.utils import build_policy
from django.http import HttpResponse
from django.template.loader import render_to_string
from django.utils.cache import patch_vary_headers
from django.utils.translation.trans_real import parse_accept_lang_header
from rest_framework.renderers import JSONRenderer

from clinics.hours import zone_named
from core.phone_numbers import as_read
from courses.api.reply_slots import OfferedSlot, offered_slots
from courses.channels import languages_for, reply_link, unsubscribe_link
from courses.channels.days import day_and_time, day_of_month, whole_day
from courses.channels.page_words import PageWords, page_words
from courses.channels.wording import filled
from courses.models import Reply
from courses.selectors.recalls.replies import Offer, offer_of, replies_to
from courses.selectors.recalls.steps import cadence_of_recall, clinic_of
from courses.timing import PURPOSE
from courses.timing.words import MessagePurpose, ReplyKind
from courses.vocabulary import AppointmentStatus, Channel, RecallKind

MEDIA_TYPE: Final = "text/html"
WEEKS: Final = (2, 4, 6, 8, 12, 26)
FELL_THROUGH: Final = (AppointmentStatus.CANCELLED, AppointmentStatus.ENTERED_IN_ERROR)


class PageRenderer(JSONRenderer):
    """What a view lists when it can answer with a page, which the view itself makes."""

    media_type = MEDIA_TYPE
    format = "html"


def answers_page(
    message_id: int, *, now: datetime, one_click: bool, status: int = HTTPStatus.OK, amiss: str = ""
) -> HttpResponse:
    """What can be answered to a message, or what was. `amiss` names the words of what went wrong.

    `one_click`: for the address that only stops. Raises LinkUnknown, and as the search for slots.
    """
    offer = offer_of(message_id, now=now)
    message = offer.message
    wanted = message.contact_point.patient.language
    fallback = cadence_of_recall(message.recall).language
    words, language = page_words(languages_for(wanted, fallback=fallback))
    clinic = clinic_of(message.recall)
    context = {
        "words": words,
        "language": language,
        "clinic": clinic.name,
        "phone": clinic.phone,
        "phone_as_read": as_read(clinic.phone) if clinic.phone else "",
        "address": _path(reply_link(message_id)),
        "amiss": getattr(words, amiss) if amiss else "",
        **_stopping(offer, words, one_click=one_click),
    }
    if one_click:
        context["title"] = words.messages
    else:
        context |= _standing(offer, words, language=language, now=now)
    return _page("replies/answers.html", context, status=status)


def trouble_page(status: int, *, languages: str, address: str = "") -> HttpResponse:
    """What went wrong where nothing is read of a message; `languages` is Accept-Language.

    `address` is where to go on, if that is known.
    """
    wanted = [language for language, _ in parse_accept_lang_header(languages)]
    words, language = page_words([one for told in wanted for one in languages_for(told)])
    title, what = {
        HTTPStatus.NOT_FOUND: (words.unknown, words.unknown_what),
        HTTPStatus.TOO_MANY_REQUESTS: (words.too_many, words.too_many_what),
        HTTPStatus.SERVICE_UNAVAILABLE: (words.busy, words.busy_what),
    }.get(HTTPStatus(status), (words.wrong, words.wrong_what))
    context = {
        "words": words,
        "language": language,
        "title": title,
        "what": what,
        "address": address,
    }
    answer = _page("replies/trouble.html", context, status=status)
    patch_vary_headers(answer, ["Accept-Language"])
    return answer


def _standing(offer: Offer, words: PageWords, *, language: str, now: datetime) -> dict[str, Any]:
    """How an invitation stands: booked, put off, open or over. Of other messages nothing."""
    replies = replies_to(offer.message)
    if ReplyKind.BOOK in replies:
        return _booked(replies[ReplyKind.BOOK], words, language=language, now=now)
    if not offer.invites:
        return {"title": words.messages, "lines": [words.to_change]}
    later = replies.get(ReplyKind.LATER)
    if later is not None and later.until is not None and later.until > now.date():
        day = whole_day(later.until, language=language)
        if MessagePurpose.RECALL in offer.message.contact_point.opted_out:
            return {"title": words.messages, "lines": [words.to_change]}
        lines = [filled(words.later_until, {"day": day}), words.earlier]
        return {"title": words.later, "lines": lines}
    if offer.over:
        return {"title": words.over, "lines": [words.over_why]}
    slots = sorted(offered_slots(offer, now=now), key=lambda slot: slot.start)
    return {
        "title": words.next_visit,
        "lines": [] if slots else [words.no_times],
        "slots": [_time(slot, words, language=language) for slot in slots],
        "days": _days(words, language=language, today=now.date()),
    }


def _booked(reply: Reply, words: PageWords, *, language: str, now: datetime) -> dict[str, Any]:
    visit = reply.appointment
    if visit is None or visit.status in FELL_THROUGH:
        return {"title": words.over, "lines": [words.fell_through]}
    if visit.status != AppointmentStatus.BOOKED or visit.ends_at <= now:
        return {"title": words.over, "lines": [words.to_change]}
    booked = OfferedSlot(
        slot="",
        start=visit.starts_at,
        end=visit.ends_at,
        clinic=visit.clinic.name,
        time_zone=visit.clinic.time_zone,
    )
    return {"title": words.booked, "visit": _time(booked, words, language=language)}


def _time(slot: OfferedSlot, words: PageWords, *, language: str) -> dict[str, str]:
    """A time as it is on the wall of its clinic, with the weekday and the zone."""
    zone = zone_named(slot.time_zone)
    start, end = slot.start.astimezone(zone), slot.end.astimezone(zone)
    name = f"{slot.time_zone.replace('_', ' ')}, UTC{start.isoformat()[-6:]}"
    return {
        "value": slot.slot,
        "instant": start.isoformat(),
        "when": day_and_time(start, language=language),
        "ends": filled(words.ends, {"time": f"{end:%H:%M}"}),
        "where": filled(words.where, {"clinic": slot.clinic, "zone": name}),
    }


def _days(words: PageWords, *, language: str, today: date) -> list[dict[str, str]]:
    days = [(weeks, today + timedelta(weeks=weeks)) for weeks in WEEKS]
    return [
        {
            "value": day.isoformat(),
            "text": filled(
                words.in_weeks, {"weeks": str(weeks), "day": day_of_month(day, language=language)}
            ),
        }
        for weeks, day in days
    ]


def _stopping(offer: Offer, words: PageWords, *, one_click: bool) -> dict[str, Any]:
    """What is stopped already, and what can be."""
    message = offer.message
    point, purpose = message.contact_point, PURPOSE[RecallKind(message.recall.kind)]
    channel = {"channel": words.by_channel[Channel(message.channel)]}
    stopped = ""
    if set(MessagePurpose) <= set(point.opted_out):
        stopped = filled(words.stopped_all, channel)
    elif purpose in point.opted_out:
        stopped = filled(words.stopped_purpose[purpose], channel)
    may_stop = purpose not in point.opted_out
    if one_click:
        stop_with, stop_at = "one click" if may_stop else "", _path(unsubscribe_link(message.pk))
    else:
        stop_with = "choice" if set(MessagePurpose) - set(point.opted_out) else ""
        stop_at = _path(reply_link(message.pk)) + "/stop"
    return {
        "stopped": stopped,
        "stop_with": stop_with,
        "stop_at": stop_at,
        "stop_purpose": filled(words.stop_purpose[purpose], channel) if may_stop else "",
        "stop_all": filled(words.stop_all, channel),
    }


def _path(link: str) -> str:
    return urlsplit(link).path


def _page(template: str, context: dict[str, Any], *, status: int) -> HttpResponse:
    """A page, which may use its own style and post to this service and nothing else."""
    may = {
        "default-src": [NONE],
        "style-src": [_style()],
        "base-uri": [NONE],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
    answer = HttpResponse(
        render_to_string(template, context),
        status=status,
        content_type=f"{MEDIA_TYPE}; charset=utf-8",
    )
    answer.headers[HEADER] = build_policy(replace=may)
    return answer


@cache
def _style() -> str:
    """The style in the pages as a policy names it, by its digest (CSP Level 3, 2.3.1)."""
    style = render_to_string("replies/page.css")
    return f"'sha256-{b64encode(sha256(style.encode()).digest()).decode()}'"
