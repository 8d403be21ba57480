"""A chain's own words: what is wrong with them is found when they are saved."""

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from clinics.vocabulary import Role
from courses.channels import (
    TEXTS,
    FactMissing,
    TextFacts,
    Wording,
    flaws,
    languages_for,
    longest,
    sms_length,
    text_for,
    wording_in,
)
from courses.channels.page_words import page_words
from courses.channels.wording import MOST_SEGMENTS, filled
from courses.models import MessageTemplate, Recall
from courses.selectors.recalls.verdict import messages_with_context, text_of
from courses.vocabulary import Channel
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.factories import make_chain
from tests.support.recalls import Remembering, make_scene, open_due, send_due, statuses

WORDS = {
    "name": "reminder",
    "language": "en",
    "subject": "See you on $visit_day",
    "body": "Hello $given_name, $clinic expects you on $visit_time. Enough? $link",
    "short": "$clinic: $visit_time $link",
}
FACTS = {"given_name": "Ada", "clinic": "Harbour", "zone": ZoneInfo("UTC"), "link": "https://x/r/1"}


@pytest.mark.parametrize(
    ("name", "language", "wording"),
    [(name, language, w) for name, by in TEXTS.items() for language, w in by.items()],
)
def test_our_own_words_have_no_flaw_and_are_short(name, language, wording):
    assert flaws(name, wording) == []
    assert sms_length(wording.short).alphabet == "gsm7"


@pytest.mark.parametrize(
    ("part", "words", "code"),
    [
        ("body", "Hello $surname on $visit_time at $clinic", "place_unknown"),
        ("body", "Hello at $clinic", "place_missing"),
        ("body", "costs 5 $ $visit_time $clinic", "malformed"),
        ("body", "${given_name.__class__} $visit_time $clinic", "malformed"),
        ("short", "$clinic", "place_missing"),
        ("body", "Hello at $clinic on $visit_time", "place_missing"),
        ("short", "$clinic: $visit_time", "place_missing"),
        ("subject", "$ready_on", "place_unknown"),
        ("subject", "two\nlines", "one_line"),
        ("short", "  ", "blank"),
    ],
)
def test_a_flaw_is_found(part, words, code):
    parts = {key: WORDS[key] for key in ("subject", "body", "short")}
    found = flaws("reminder", Wording(**{**parts, part: words}))
    assert code in {flaw.code for flaw in found if flaw.part == part}


# 3GPP TS 23.040: one of several segments holds 153 septets, or 67 code units of UCS-2 (here 402).
@pytest.mark.parametrize(
    ("short", "segments"),
    [
        ("$clinic: $visit_time $link " + "x" * (6 * 153 - 40 - 2 - 36 - 1 - 68 - 1), 6),
        ("$clinic: $visit_time $link " + "x" * (6 * 153 - 40 - 2 - 36 - 68 - 1), 7),
        ("$clinic: $visit_time $link " + "ç" * (6 * 67 - 40 - 2 - 36 - 1 - 68 - 1), 6),
        ("$clinic: $visit_time $link " + "ç" * (6 * 67 - 40 - 2 - 36 - 68 - 1), 7),
    ],
)
def test_a_text_message_of_more_than_six_segments_is_a_flaw(short, segments):
    found = flaws("reminder", Wording(WORDS["subject"], WORDS["body"], short))
    assert sms_length(longest(short)).segments == segments
    if segments <= MOST_SEGMENTS:
        assert found == []
    else:
        assert [(flaw.part, flaw.code) for flaw in found] == [("short", "too_long")]
        assert "7 segments" in found[0].detail
        assert ("ç" in found[0].detail) is ("ç" in short)


def test_facts_are_never_taken_for_words():
    facts = TextFacts(**{**FACTS, "given_name": "$clinic {0.__class__} %s"})
    assert "Hello $clinic {0.__class__} %s," in text_for("aftercare", facts).body


@pytest.mark.parametrize("template", sorted(set(TEXTS) - {"moved"}))
@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize("channel", [Channel.EMAIL, Channel.SMS])
def test_whoever_is_written_to_can_stop_it(template, language, channel):
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    facts = TextFacts(**FACTS, starts_at=noon, ready_on=noon.date(), language=language)
    assert FACTS["link"] in text_for(template, facts, channel=channel).body
    part = "short" if channel is Channel.SMS else "body"
    silent = replace(TEXTS[template][language], **{part: "$clinic $visit_time"})
    assert "This text must say $link." in {flaw.detail for flaw in flaws(template, silent)}


@pytest.mark.parametrize("name", ["visit_time", "visit_day", "ready_on", "link", "given_name"])
def test_a_place_without_a_fact_is_never_left_empty(name):
    facts = {"clinic": "Harbour", "link": ""}
    with pytest.raises(FactMissing, match=name):
        filled(f"$clinic: ${name}", facts)


class TestLanguages:
    """Lookup as RFC 4647, section 3.4 has it: the range loses its last subtags one by one."""

    @pytest.mark.parametrize(
        ("wanted", "fallback", "tried"),
        [
            ("en", "en", ("en",)),
            ("de-AT", "fr-CH", ("de-AT", "de", "fr-CH", "fr", "en")),
            ("de", "de-AT", ("de", "de-AT", "en")),
            # The example of that section; a single letter goes with what it introduced.
            (
                "zh-Hant-CN-x-private1-private2",
                "en",
                (
                    "zh-Hant-CN-x-private1-private2",
                    "zh-Hant-CN-x-private1",
                    "zh-Hant-CN",
                    "zh-Hant",
                    "zh",
                    "en",
                ),
            ),
        ],
    )
    def test_the_most_specific_first(self, wanted, fallback, tried):
        assert languages_for(wanted, fallback=fallback) == tried

    @pytest.mark.parametrize(
        ("wanted", "fallback", "own", "begins"),
        [
            ("de-AT", "en", [], "Guten Tag Ada"),
            ("de-AT", "en", ["de"], "own de"),
            ("de-AT", "en", ["de", "de-AT"], "own de-AT"),
            # A patient's own language in our words goes before another one in the chain's.
            ("de", "en", ["en"], "Guten Tag Ada"),
            ("fr", "en", [], "Hello Ada"),
            ("fr", "de", [], "Guten Tag Ada"),
            ("fr", "nl-BE", ["nl"], "own nl"),
            ("fr", "nl", ["en"], "own en"),
        ],
    )
    def test_the_first_that_has_words(self, wanted, fallback, own, begins):
        words = {one: Wording("s", f"own {one} $clinic $link", "s") for one in own}
        facts = TextFacts(**FACTS, language=wanted, fallback=fallback)
        assert text_for("invitation", facts, own=words).body.startswith(begins)

    def test_days_are_told_in_the_language_of_the_words(self):
        noon = datetime(2026, 3, 29, 12, tzinfo=UTC)
        facts = TextFacts(**FACTS, starts_at=noon, language="fr", fallback="de-CH")
        own = {"en": Wording("s", "Own: $visit_time", "s")}
        assert "Sonntag, 29. März 2026 um 12:00 Uhr" in text_for("reminder", facts).body
        told = text_for("reminder", replace(facts, fallback="en"), own=own).body
        assert told == "Own: Sunday 29 March 2026 at 12:00"


@pytest.mark.django_db
class TestOverTheApi:
    @pytest.fixture
    def manager(self):
        return sign_in(Role.CHAIN_MANAGER)

    def test_words_are_put_in_place_and_taken_back(self, manager):
        made = manager.post("/message-templates", WORDS)
        assert (made.status_code, made.json()["number"]) == (201, 1)
        texts = manager.get("/message-texts").json()["texts"]
        assert [one["name"] for one in texts if one["own"]] == ["reminder"]
        assert manager.delete(f"/message-templates/{made.json()['id']}").status_code == 204
        assert [one["number"] for one in manager.get("/message-templates").json()["items"]] == [
            1,
            2,
        ]
        texts = manager.get("/message-texts").json()["texts"]
        assert [one["name"] for one in texts if one["own"]] == []

    def test_a_missing_place_is_found_when_it_is_saved(self, manager):
        answer = manager.post("/message-templates", {**WORDS, "short": "Hello"})
        problem = assert_problem(answer, 400)
        assert {one["pointer"] for one in problem["errors"]} == {"/short"}
        assert not MessageTemplate.objects.exists()

    def test_a_text_message_that_would_be_too_long_is_not_saved(self, manager):
        words = {**WORDS, "short": "$clinic: $visit_time $link " + "ç" * 400}
        problem = assert_problem(manager.post("/message-templates", words), 400)
        assert [(one["pointer"], one["code"]) for one in problem["errors"]] == [
            ("/short", "too_long")
        ]
        assert not MessageTemplate.objects.exists()
        shown = manager.post("/message-template-previews", words).json()
        assert [flaw["code"] for flaw in shown["flaws"]] == ["too_long"]

    def test_somebody_else_was_quicker(self, manager):
        manager.post("/message-templates", WORDS)
        answer = manager.post("/message-templates", WORDS)
        assert_problem(answer, 409, "message_template_overtaken")
        assert MessageTemplate.objects.count() == 1

    @pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.TREATING_CLINICIAN])
    def test_only_managers_choose_words(self, role):
        answer = sign_in(role, chain=make_chain()).post("/message-templates", WORDS)
        assert_problem(answer, 403)

    def test_texts_are_shown_as_a_patient_of_that_language_gets_them(self, manager):
        words = {**WORDS, "language": "de", "subject": "Bis $visit_day"}
        assert manager.post("/message-templates", words).status_code == 201
        texts = {
            one["name"]: one
            for one in manager.get("/message-texts", language="de-AT").json()["texts"]
        }
        assert (texts["reminder"]["language"], texts["reminder"]["own"]) == ("de", True)
        assert (texts["aftercare"]["language"], texts["aftercare"]["own"]) == ("de", False)
        assert texts["moved"]["kind"] == "change"
        assert texts["aftercare"]["longest_length"]["segments"] == 2
        french = manager.get("/message-texts", language="fr").json()["texts"]
        assert {one["language"] for one in french} == {"en"}

    def test_texts_cost_the_same_number_of_queries_however_many_are_own(self, manager):
        none = queries_of(manager, "/message-texts", language="de-AT")
        manager.post("/message-templates", {**WORDS, "language": "de"})
        assert queries_of(manager, "/message-texts", language="de-AT") == none

    def test_a_preview_shows_segments(self, manager):
        words = {**WORDS, "short": "$clinic ç $visit_time $link"}
        shown = manager.post("/message-template-previews", words)
        preview = shown.json()["preview"]
        assert preview["short"].startswith("Example Clinic ç ")
        assert preview["short_length"]["alphabet"] == "ucs2"
        assert preview["short_length"]["odd"] == ["ç"]
        flawed = manager.post("/message-template-previews", {**WORDS, "body": "$x"}).json()
        assert flawed["preview"] is None
        assert flawed["flaws"]


@pytest.mark.django_db
def test_a_patient_is_told_in_the_chains_words_and_their_language():
    scene = make_scene(channel="sms", address="+4915112345678")
    scene.patient.language = "de"
    scene.patient.save()
    way = Remembering()
    MessageTemplate.objects.create(
        chain=scene.course.chain,
        name="invitation",
        language="de",
        number=1,
        subject="s",
        body="b",
        short="Moin $given_name: $clinic $link",
        set_by=scene.ward.operator,
        set_at=scene.noon,
    )
    open_due(scene.noon)
    send_due(scene.noon, way)
    [(_, outgoing, text)] = way.sent
    assert outgoing.channel is Channel.SMS
    assert text.body.startswith("Moin Invented: ")
    assert "/r/" in text.body


@pytest.mark.django_db
def test_a_regional_language_gets_the_words_of_its_language_in_one_query():
    scene = make_scene(channel="sms", address="+4915112345678")
    scene.patient.language = "de-AT"
    scene.patient.save()
    by = {"chain": scene.course.chain, "set_by": scene.ward.operator, "set_at": scene.noon}
    for language, number, words in (("de", 1, "alt"), ("de", 2, "neu"), ("en", 1, "english")):
        MessageTemplate.objects.create(
            **by,
            name="invitation",
            language=language,
            number=number,
            subject="s",
            body="b",
            short=f"{words} $clinic $link",
        )
    MessageTemplate.objects.create(
        **by, name="invitation", language="de-AT", number=1, withdrawn=True
    )
    open_due(scene.noon)
    message = messages_with_context().get(recall=scene.recall)
    with CaptureQueriesContext(connection) as asked:
        text = text_of(message)
    assert text.body.startswith("neu ")
    assert len(asked) == 1


@pytest.mark.django_db
def test_a_text_with_a_hole_stops_with_its_reason_and_holds_up_no_other():
    crooked, sound = make_scene(), make_scene()
    for one in (crooked, sound):
        open_due(one.noon)
    # As a policy from before there was a check could have it: an invitation knows of no visit.
    Recall.objects.filter(pk=crooked.recall.pk).update(template="reminder")
    way = Remembering()
    assert send_due(crooked.noon, way) == {"failed": 1, "sent": 1}
    assert way.addresses == [sound.point.address]
    assert statuses([crooked.message]) == [("stopped", "text_incomplete")]
    assert crooked.recall.status == "on-hold"


@pytest.mark.parametrize(
    ("wanted", "fallback", "spoken"),
    [("de", "en", "de"), ("de-AT", "en", "de"), ("pt", "de", "de"), ("pt", "fr", "en")],
)
def test_pages_speak_as_the_messages_do(wanted, fallback, spoken):
    languages = languages_for(wanted, fallback=fallback)
    assert page_words(languages)[1] == wording_in("invitation", languages, own={})[1] == spoken
