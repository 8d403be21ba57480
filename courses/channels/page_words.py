"""What the pages say at which patients answer: plain, short, and nothing medical.

Whoever looks over a shoulder reads them too, so they say no more than the messages do.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from courses.channels.texts import FALLBACK
from courses.timing.words import MessagePurpose
from courses.vocabulary import Channel


@dataclass(frozen=True, slots=True)
class PageWords:
    """All words of the pages in one language; `$places` are filled as in messages."""

    next_visit: str
    choose: str
    where: str
    ends: str
    book: str
    no_times: str
    none_suits: str
    not_now: str
    write_again: str
    in_weeks: str
    ask_later: str
    booked: str
    cannot_come: str
    fell_through: str
    later: str
    later_until: str
    earlier: str
    over: str
    over_why: str
    to_change: str
    messages: str
    stop: str
    stop_purpose: Mapping[MessagePurpose, str]
    stopped_purpose: Mapping[MessagePurpose, str]
    by_channel: Mapping[Channel, str]
    stays_booked: str
    stop_all: str
    stopped_all: str
    do_stop: str
    # What went wrong, and what to do.
    choose_first: str
    gone: str
    nothing_done: str
    unknown: str
    unknown_what: str
    too_many: str
    too_many_what: str
    busy: str
    busy_what: str
    wrong: str
    wrong_what: str
    back: str
    caution: str


EN: Final = PageWords(
    next_visit="Your next visit",
    choose="Choose a time",
    where="$clinic, local time there ($zone)",
    ends="until $time",
    book="Book this time",
    no_times="No times can be shown here at the moment. Please call the clinic.",
    none_suits="If none of these times suits you, please call the clinic.",
    not_now="Not now",
    write_again="Write to me again",
    in_weeks="in $weeks weeks, on $day",
    ask_later="Ask me later",
    booked="Your visit is booked",
    cannot_come="If you cannot come, please call the clinic as early as you can.",
    fell_through="The visit that you booked here does not stand any more. Please call the clinic.",
    later="We will ask you later",
    later_until="We will not invite you before $day.",
    earlier="If you would like to come earlier, please call the clinic.",
    over="Nothing can be booked here any more",
    over_why=(
        "You may have a visit already, or the message is too old. To book, to change or to cancel "
        "a visit, please call the clinic."
    ),
    to_change="To book, to change or to cancel a visit, please call the clinic.",
    messages="Your messages",
    stop="No more messages",
    stop_purpose={
        MessagePurpose.RECALL: "You can ask for no more invitations $channel.",
        MessagePurpose.REMINDER: "You can ask for no more reminders of visits $channel.",
        MessagePurpose.AFTERCARE: "You can ask for no more messages after visits $channel.",
    },
    stopped_purpose={
        MessagePurpose.RECALL: "You get no more invitations $channel.",
        MessagePurpose.REMINDER: "You get no more reminders of visits $channel.",
        MessagePurpose.AFTERCARE: "You get no more messages after visits $channel.",
    },
    by_channel={
        Channel.EMAIL: "by e-mail",
        Channel.SMS: "by text message",
        Channel.PHONE: "by telephone",
    },
    stays_booked="A visit that is booked stays booked.",
    stop_all="No messages of any kind $channel, also no reminders of visits",
    stopped_all="You get no more messages $channel.",
    do_stop="Stop the messages",
    choose_first="Nothing has been done yet. Please choose one of the answers first.",
    gone=(
        "That time cannot be booked any more, and nothing has been booked. Please choose another "
        "one, or call the clinic."
    ),
    nothing_done="That did not work, and nothing has been changed.",
    unknown="This address leads nowhere",
    unknown_what=(
        "Perhaps a part of it is missing. Please open the address in the message once more, or "
        "call the clinic."
    ),
    too_many="Too many requests",
    too_many_what="Please wait a minute and try again, or call the clinic.",
    busy="Not possible at the moment",
    busy_what="Please try again in a minute, or call the clinic.",
    wrong="That did not work",
    wrong_what="Please open the address in the message once more, or call the clinic.",
    back="Back to your answers",
    caution=(
        "If anything worries you, call the clinic or the clinician who treats you. In an "
        "emergency call the local emergency number."
    ),
)

DE: Final = PageWords(
    next_visit="Ihr nächster Besuch",
    choose="Wählen Sie einen Termin",
    where="$clinic, Ortszeit dort ($zone)",
    ends="bis $time Uhr",
    book="Diesen Termin buchen",
    no_times="Im Moment können hier keine Termine gezeigt werden. Bitte rufen Sie die Praxis an.",
    none_suits="Wenn keiner dieser Termine passt, rufen Sie bitte die Praxis an.",
    not_now="Nicht jetzt",
    write_again="Schreiben Sie mir wieder",
    in_weeks="in $weeks Wochen, am $day",
    ask_later="Später fragen",
    booked="Ihr Besuch ist gebucht",
    cannot_come="Wenn Sie nicht kommen können, rufen Sie die Praxis bitte so früh wie möglich an.",
    fell_through=(
        "Der Besuch, den Sie hier gebucht haben, gilt nicht mehr. Bitte rufen Sie die Praxis an."
    ),
    later="Wir fragen Sie später",
    later_until="Wir laden Sie nicht ein vor: $day.",
    earlier="Wenn Sie früher kommen möchten, rufen Sie bitte die Praxis an.",
    over="Hier kann nichts mehr gebucht werden",
    over_why=(
        "Vielleicht haben Sie schon einen Termin, oder die Nachricht ist zu alt. Um einen Besuch "
        "zu buchen, zu verlegen oder abzusagen, rufen Sie bitte die Praxis an."
    ),
    to_change=(
        "Um einen Besuch zu buchen, zu verlegen oder abzusagen, rufen Sie bitte die Praxis an."
    ),
    messages="Ihre Nachrichten",
    stop="Keine Nachrichten mehr",
    stop_purpose={
        MessagePurpose.RECALL: "Wenn Sie möchten, schicken wir keine Einladungen mehr $channel.",
        MessagePurpose.REMINDER: (
            "Wenn Sie möchten, schicken wir keine Erinnerungen an Besuche mehr $channel."
        ),
        MessagePurpose.AFTERCARE: (
            "Wenn Sie möchten, schicken wir keine Nachrichten nach Besuchen mehr $channel."
        ),
    },
    stopped_purpose={
        MessagePurpose.RECALL: "Wir schicken keine Einladungen mehr $channel.",
        MessagePurpose.REMINDER: "Wir schicken keine Erinnerungen an Besuche mehr $channel.",
        MessagePurpose.AFTERCARE: "Wir schicken keine Nachrichten nach Besuchen mehr $channel.",
    },
    by_channel={
        Channel.EMAIL: "per E-Mail",
        Channel.SMS: "per SMS",
        Channel.PHONE: "per Telefon",
    },
    stays_booked="Ein Besuch, der gebucht ist, bleibt gebucht.",
    stop_all="Gar keine Nachrichten mehr $channel, auch keine Erinnerungen an Besuche",
    stopped_all="Wir schicken keine Nachrichten mehr $channel.",
    do_stop="Nachrichten beenden",
    choose_first="Es ist noch nichts geschehen. Bitte wählen Sie zuerst eine der Antworten.",
    gone=(
        "Dieser Termin kann nicht mehr gebucht werden, und es ist nichts gebucht. Bitte wählen "
        "Sie einen anderen, oder rufen Sie die Praxis an."
    ),
    nothing_done="Das hat nicht geklappt, und es ist nichts geändert.",
    unknown="Diese Adresse führt nirgends hin",
    unknown_what=(
        "Vielleicht fehlt ein Teil von ihr. Bitte öffnen Sie die Adresse in der Nachricht noch "
        "einmal, oder rufen Sie die Praxis an."
    ),
    too_many="Zu viele Anfragen",
    too_many_what=(
        "Bitte warten Sie eine Minute und versuchen Sie es noch einmal, oder rufen Sie die Praxis "
        "an."
    ),
    busy="Im Moment nicht möglich",
    busy_what="Bitte versuchen Sie es in einer Minute noch einmal, oder rufen Sie die Praxis an.",
    wrong="Das hat nicht geklappt",
    wrong_what=(
        "Bitte öffnen Sie die Adresse in der Nachricht noch einmal, oder rufen Sie die Praxis an."
    ),
    back="Zurück zu Ihren Antworten",
    caution=(
        "Wenn Sie etwas beunruhigt, rufen Sie die Praxis an oder die Person, die Sie behandelt. "
        "Im Notfall wählen Sie die Notrufnummer, die an Ihrem Ort gilt."
    ),
)

PAGE_WORDS: Final[Mapping[str, PageWords]] = {"en": EN, "de": DE}


def page_words(languages: Sequence[str]) -> tuple[PageWords, str]:
    """The words of the first language that has some, else English; and which it is."""
    language = next((one for one in languages if one in PAGE_WORDS), FALLBACK)
    return PAGE_WORDS[language], language
