"""A chain's own words: what is wrong with them is found when they are saved."""

from zoneinfo import ZoneInfo

import pytest

from clinics.vocabulary import Role
from courses.channels import TEXTS, Wording, flaws, longest, sms_length, text_for
from courses.channels.texts import TextFacts
from courses.channels.wording import MOST_SEGMENTS
from courses.models import MessageTemplate
from courses.vocabulary import Channel
from tests.support.api import assert_problem, sign_in
from tests.support.factories import make_chain
from tests.support.recalls import Remembering, make_scene, open_due, send_due

WORDS = {
    "name": "reminder",
    "language": "en",
    "subject": "See you on $visit_day",
    "body": "Hello $given_name, $clinic expects you on $visit_time.",
    "short": "$clinic: $visit_time",
}


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
        ("$clinic: $visit_time " + "x" * (6 * 153 - 40 - 2 - 36 - 1), 6),
        ("$clinic: $visit_time " + "x" * (6 * 153 - 40 - 2 - 36), 7),
        ("$clinic: $visit_time " + "ç" * (6 * 67 - 40 - 2 - 36 - 1), 6),
        ("$clinic: $visit_time " + "ç" * (6 * 67 - 40 - 2 - 36), 7),
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
    facts = TextFacts(given_name="$clinic {0.__class__} %s", clinic="H", zone=ZoneInfo("UTC"))
    assert "Hello $clinic {0.__class__} %s," in text_for("aftercare", facts).body


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
        words = {**WORDS, "short": "$clinic: $visit_time " + "ç" * 400}
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

    def test_a_preview_shows_segments(self, manager):
        words = {**WORDS, "short": "$clinic ç $visit_time"}
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
