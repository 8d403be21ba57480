"""What patients read: plain, short, and nothing medical. Dates are the clinic's local ones.

These are the service's own words; a chain may have words of its own for each text and language.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from courses.channels.days import day_and_time, day_of_month, whole_day
from courses.channels.port import Text
from courses.channels.wording import Wording, filled
from courses.vocabulary import Channel

FALLBACK: Final = "en"


@dataclass(frozen=True, slots=True)
class TextFacts:
    """What a text may speak of. `starts_at` is told in the clinic's `zone`.

    `link` is where the patient can answer. `fallback` is the language in which the chain writes to
    those for whose own there are no words.
    """

    given_name: str
    clinic: str
    zone: ZoneInfo
    starts_at: datetime | None = None
    ready_on: date | None = None
    link: str = ""
    language: str = FALLBACK
    fallback: str = FALLBACK


class UnknownTemplate(LookupError):
    """No text of that name is there."""


def text_for(
    template: str,
    facts: TextFacts,
    *,
    channel: Channel = Channel.EMAIL,
    own: Mapping[str, Wording] | None = None,
) -> Text:
    """The text of that name in the first language of `languages_for` that has words.

    Raises UnknownTemplate, FactMissing.
    """
    languages = languages_for(facts.language, fallback=facts.fallback)
    wording, language = wording_in(template, languages, own=own or {})
    places = _places(facts, language=language)
    if channel is Channel.SMS:
        return Text(subject="", body=filled(wording.short, places))
    subject = " ".join(filled(wording.subject, places).split())
    return Text(subject=subject, body=filled(wording.body, places))


def languages_for(wanted: str, *, fallback: str = FALLBACK) -> tuple[str, ...]:
    """In which languages words are looked for, best first.

    Each with what is left of it when its last subtags are taken off (RFC 4647, section 3.4: the
    lookup): the patient's own, the chain's, English.
    """
    found = [one for told in (wanted, fallback, FALLBACK) for one in _shortened(told)]
    return tuple(dict.fromkeys(found))


def wording_in(
    template: str, languages: Sequence[str], *, own: Mapping[str, Wording]
) -> tuple[Wording, str]:
    """The words in the first of these languages that has some: the chain's, else ours.

    `own` are the chain's words by language. Raises UnknownTemplate.
    """
    if template not in TEXTS:
        raise UnknownTemplate(template)
    for language in languages:
        for words in (own, TEXTS[template]):
            if language in words:
                return words[language], language
    raise UnknownTemplate(template)


def _shortened(language: str) -> Iterator[str]:
    subtags = language.split("-")
    while subtags:
        yield "-".join(subtags)
        subtags.pop()
        # One letter only introduces what followed.
        if subtags and len(subtags[-1]) == 1:
            subtags.pop()


def _places(facts: TextFacts, *, language: str) -> dict[str, str]:
    language = language.partition("-")[0]
    places = {"given_name": facts.given_name, "clinic": facts.clinic, "link": facts.link}
    if facts.starts_at is not None:
        local = facts.starts_at.astimezone(facts.zone)
        places["visit_time"] = day_and_time(local, language=language)
        places["visit_day"] = day_of_month(local.date(), language=language)
    if facts.ready_on is not None:
        places["ready_on"] = whole_day(facts.ready_on, language=language)
    return places


def _en(subject: str, says: str, short: str) -> Wording:
    return Wording(subject, f"Hello $given_name,\n\n{says}\n\n$clinic\n", short)


def _de(subject: str, says: str, short: str) -> Wording:
    return Wording(subject, f"Guten Tag $given_name,\n\n{says}\n\n$clinic\n", short)


TEXTS: Final[Mapping[str, Mapping[str, Wording]]] = {
    "invitation": {
        "en": _en(
            "Your next visit to $clinic",
            "you can now book your next visit to $clinic. Times to choose from, and how to wait "
            "or stop, are here:\n$link",
            "$clinic: you can now book your next visit. Book, wait or stop: $link",
        ),
        "de": _de(
            "Ihr nächster Besuch: $clinic",
            "Sie können jetzt Ihren nächsten Besuch bei $clinic buchen. Termine zur Auswahl, und "
            "wie Sie warten oder aufhören, finden Sie hier:\n$link",
            "$clinic: Sie können jetzt Ihren nächsten Besuch buchen. Buchen, warten oder "
            "aufhören: $link",
        ),
    },
    "invitation-ahead": {
        "en": _en(
            "Your next visit to $clinic",
            "your next visit to $clinic can take place from $ready_on. Times to choose from, and "
            "how to wait or stop, are here:\n$link",
            "$clinic: your next visit can take place from $ready_on. Book, wait or stop: $link",
        ),
        "de": _de(
            "Ihr nächster Besuch: $clinic",
            "Ihr nächster Besuch bei $clinic ist möglich ab $ready_on. Termine zur Auswahl, und "
            "wie Sie warten oder aufhören, finden Sie hier:\n$link",
            "$clinic: Ihr nächster Besuch ist möglich ab $ready_on. Buchen, warten oder "
            "aufhören: $link",
        ),
    },
    "invitation-again": {
        "en": _en(
            "Your next visit to $clinic",
            "you have not booked your next visit to $clinic yet. We would like to hear from you, "
            "also if you want to wait or to stop:\n$link",
            "$clinic: you have not booked your next visit yet. Book, wait or stop: $link",
        ),
        "de": _de(
            "Ihr nächster Besuch: $clinic",
            "Sie haben Ihren nächsten Besuch bei $clinic noch nicht gebucht. Wir freuen uns über "
            "eine Antwort, auch wenn Sie warten oder aufhören möchten:\n$link",
            "$clinic: Ihr nächster Besuch ist noch nicht gebucht. Buchen, warten oder "
            "aufhören: $link",
        ),
    },
    "reminder": {
        "en": _en(
            "Your visit to $clinic on $visit_day",
            "this is a reminder of your visit to $clinic on $visit_time. If you cannot come, "
            "please tell us as early as you can.\n\nIf you want no more reminders:\n$link",
            "$clinic: your visit is on $visit_time. If you cannot come, please tell us early. "
            "No more reminders: $link",
        ),
        "de": _de(
            "Ihr Besuch am $visit_day: $clinic",
            "wir erinnern Sie an Ihren Besuch bei $clinic: $visit_time. Wenn Sie nicht kommen "
            "können, sagen Sie uns bitte früh Bescheid.\n\nWenn Sie keine Erinnerungen mehr "
            "möchten:\n$link",
            "$clinic: Ihr Besuch ist am $visit_time. Wenn Sie nicht kommen können, sagen Sie "
            "bitte Bescheid. Keine Erinnerungen mehr: $link",
        ),
    },
    "moved": {
        "en": _en(
            "Your visit to $clinic has a new time",
            "we had to move your visit to $clinic. It is now on $visit_time. If that does not "
            "suit you, please tell us and we will find another time.",
            "$clinic: we had to move your visit. It is now on $visit_time. Please tell us if "
            "that does not suit you.",
        ),
        "de": _de(
            "Neuer Termin: $clinic",
            "wir mussten Ihren Besuch bei $clinic verlegen. Der neue Termin: $visit_time. Wenn "
            "er Ihnen nicht passt, sagen Sie uns bitte Bescheid.",
            "$clinic: wir mussten Ihren Besuch verlegen. Neu: $visit_time. Wenn es nicht passt, "
            "sagen Sie bitte Bescheid.",
        ),
    },
    "aftercare": {
        "en": _en(
            "How are you? $clinic",
            "we hope that you are well after your visit to $clinic. If anything worries you, or "
            "you have a question, please call us.\n\nIf you want no more messages of this "
            "kind:\n$link",
            "$clinic: we hope that you are well. If anything worries you, please call us. No "
            "more of these messages: $link",
        ),
        "de": _de(
            "Wie geht es Ihnen? $clinic",
            "wir hoffen, dass es Ihnen nach Ihrem Besuch bei $clinic gut geht. Wenn Sie etwas "
            "beunruhigt oder Sie eine Frage haben, rufen Sie uns bitte an.\n\nWenn Sie solche "
            "Nachrichten nicht mehr möchten:\n$link",
            "$clinic: Wir hoffen, dass es Ihnen gut geht. Wenn Sie etwas beunruhigt, rufen Sie "
            "uns bitte an. Keine solchen Nachrichten mehr: $link",
        ),
    },
}
