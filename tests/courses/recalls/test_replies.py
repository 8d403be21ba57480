"""What patients do at the address in a message. Looking changes nothing; answers count once."""

from base64 import urlsafe_b64decode
from datetime import timedelta
from urllib.parse import urlsplit

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client
from rest_framework.settings import api_settings

from clinics.models import Credential, Shift
from core.api import throttling
from courses.channels import LinkPurpose, link_token, message_of, reply_link
from courses.models import (
    Appointment,
    Consent,
    Course,
    Message,
    Recall,
    RecallPause,
    Reply,
    TattooPart,
)
from tests.support.api import anonymous, assert_problem
from tests.support.booking import NOW, make_stage
from tests.support.factories import instant, make_clinic, make_opening_week
from tests.support.recalls import (
    Remembering,
    make_invited,
    make_scene,
    open_due,
    send_due,
    take_time,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def scene():
    scene = make_scene()
    open_due(scene.noon)
    send_due(scene.noon)
    return scene


def at(message, tail=""):
    return urlsplit(reply_link(message.pk)).path + tail


PLAIN = {"type", "title", "status", "detail", "instance", "code", "request_id"}


def one_click(message, body="List-Unsubscribe=One-Click", **more):
    token = link_token(message.pk, purpose=LinkPurpose.UNSUBSCRIBE)
    kind = "application/x-www-form-urlencoded"
    return Client().post(f"/u/{token}", data=body, content_type=kind, **more)


class TestLinks:
    def test_a_token_opens_its_message_for_its_purpose_only(self):
        token = link_token(12345, purpose=LinkPurpose.REPLY)
        assert message_of(token, purpose=LinkPurpose.REPLY) == 12345
        assert message_of(token, purpose=LinkPurpose.UNSUBSCRIBE) is None

    def test_another_number_or_signature_opens_nothing(self):
        token = link_token(12345, purpose=LinkPurpose.REPLY)
        flipped = token[:-1] + ("A" if token[-1] != "A" else "B")
        for wrong in (flipped, "zz" + token[2:], token[:-1], "", "x"):
            assert message_of(wrong, purpose=LinkPurpose.REPLY) is None

    def test_it_is_the_same_for_every_attempt(self):
        assert reply_link(7) == reply_link(7)

    def test_an_old_secret_key_counts_while_it_is_named(self, settings):
        token = link_token(7, purpose=LinkPurpose.REPLY)
        old, settings.SECRET_KEY = settings.SECRET_KEY, "another-secret-key"
        assert message_of(token, purpose=LinkPurpose.REPLY) is None
        settings.SECRET_KEY_FALLBACKS = [old]
        assert message_of(token, purpose=LinkPurpose.REPLY) == 7

    def test_nothing_personal(self, scene):
        address = reply_link(scene.message.pk)
        for word in (scene.patient.given_name, scene.patient.family_name, scene.point.address):
            assert word.lower() not in address.lower()


class TestLooking:
    @pytest.mark.parametrize("method", ["get", "head"])
    def test_changes_nothing(self, scene, method):
        before = [list(model.objects.values()) for model in (Message, Recall, Consent, Reply)]
        with time_machine.travel(scene.noon + timedelta(hours=1), tick=False):
            assert getattr(anonymous().client, method)(at(scene.message)).status_code == 200
            token = link_token(scene.message.pk, purpose=LinkPurpose.UNSUBSCRIBE)
            assert getattr(anonymous().client, method)(f"/u/{token}").status_code == 200
        after = [list(model.objects.values()) for model in (Message, Recall, Consent, Reply)]
        assert after == before

    def test_shows_what_it_is_for_and_nobodys_name(self, scene):
        with time_machine.travel(scene.noon + timedelta(hours=1), tick=False):
            answer = anonymous().client.get(at(scene.message))
        page = answer.json()
        assert (page["about"], page["over"], page["replied"]) == ("invitation", False, None)
        assert page["can"] == ["book", "later", "stop"]
        assert scene.patient.family_name not in answer.content.decode()
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["Referrer-Policy"] == "no-referrer"

    def test_is_over_after_three_weeks(self, scene):
        with time_machine.travel(scene.noon + timedelta(days=22), tick=False):
            assert anonymous().client.get(at(scene.message)).json()["can"] == ["stop"]
            body = {"until": (scene.noon + timedelta(days=40)).date().isoformat()}
            answer = anonymous().client.post(at(scene.message, "/later"), body, format="json")
        assert_problem(answer, 409, "reply_over")
        assert not RecallPause.objects.exists()

    def test_a_wrong_address(self):
        answer = anonymous().client.get("/r/1-AAAAAAAAAAAAAAAAAAAAAA")
        assert_problem(answer, 404, "reply_link_unknown")


class TestLater:
    def test_nobody_is_invited_before_that_day_and_then_anew(self, scene):
        until = (scene.noon + timedelta(days=30)).date()
        with time_machine.travel(scene.noon + timedelta(hours=1), tick=False):
            for again in (False, True):
                answer = anonymous().client.post(
                    at(scene.message, "/later"), {"until": until.isoformat()}, format="json"
                )
                assert answer.json() == {
                    "kind": "later",
                    "again": again,
                    "start": None,
                    "until": until.isoformat(),
                }
        assert RecallPause.objects.count() == Reply.objects.count() == 1
        way = Remembering()
        for day in range(1, 32):
            now = scene.noon + timedelta(days=day)
            open_due(now)
            send_due(now, way)
            assert len(way.sent) == (1 if now.date() >= until else 0), now

    @pytest.mark.parametrize("days", [0, -1, 400])
    def test_a_day_that_makes_no_sense(self, scene, days):
        until = (scene.noon + timedelta(days=days)).date().isoformat()
        with time_machine.travel(scene.noon, tick=False):
            answer = anonymous().client.post(
                at(scene.message, "/later"), {"until": until}, format="json"
            )
        assert_problem(answer, 400)
        assert not RecallPause.objects.exists()


class TestStop:
    def test_one_click(self, scene):
        for again in (False, True):
            answer = one_click(scene.message)
            assert (answer.status_code, answer.json()["again"]) == (200, again)
        scene.point.refresh_from_db()
        assert scene.point.opted_out == ["recall"]
        [proof] = Consent.objects.filter(decision="withdrawn")
        assert proof.source == f"one click in message {scene.message.pk}"
        assert proof.recorded_by is None

    def test_one_click_as_the_other_kind_of_form(self, scene):
        token = link_token(scene.message.pk, purpose=LinkPurpose.UNSUBSCRIBE)
        answer = Client().post(f"/u/{token}", {"List-Unsubscribe": "One-Click"})
        assert answer.status_code == 200
        scene.point.refresh_from_db()
        assert scene.point.opted_out == ["recall"]

    @pytest.mark.parametrize("body", ["", "List-Unsubscribe=Maybe", "a=b", "x" * 3000])
    def test_another_body_stops_nothing(self, scene, body):
        assert one_click(scene.message, body=body).status_code == 400
        assert not Consent.objects.filter(decision="withdrawn").exists()

    def test_everything(self, scene):
        anonymous().client.post(at(scene.message, "/stop"), {"everything": True}, format="json")
        scene.point.refresh_from_db()
        assert scene.point.opted_out == ["aftercare", "recall", "reminder"]

    def test_what_is_queued_does_not_leave(self, scene):
        one_click(scene.message)
        way = Remembering()
        for day in range(1, 60):
            now = scene.noon + timedelta(days=day)
            open_due(now)
            send_due(now, way)
        assert way.sent == []


class TestBook:
    @pytest.fixture
    def message(self):
        return make_invited()

    def test_a_time_that_was_offered_once(self, message):
        client = anonymous().client
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            page = client.get(at(message)).json()
            assert page["slots"]
            chosen = page["slots"][0]
            assert set(chosen) == {"slot", "start", "end", "clinic", "time_zone"}
            for again in (False, True):
                body = {"slot": chosen["slot"]}
                answer = client.post(at(message, "/book"), body, format="json")
                assert (answer.status_code, answer.json()["again"]) == (200, again)
                assert answer.json()["start"] == chosen["start"]
            after = client.get(at(message)).json()
        [booked] = Appointment.objects.all()
        assert (booked.status, booked.booked_by) == ("booked", None)
        assert (after["replied"], after["over"], after["can"]) == ("book", True, ["stop"])

    def test_a_time_that_was_not_offered(self, message):
        client = anonymous().client
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            slot = client.get(at(message)).json()["slots"][0]["slot"]
            forged = client.post(at(message, "/book"), {"slot": slot[:-2] + "xx"}, format="json")
        assert_problem(forged, 409, "reply_over")
        with time_machine.travel(NOW + timedelta(minutes=40), tick=False):
            late = client.post(at(message, "/book"), {"slot": slot}, format="json")
        assert_problem(late, 409, "reply_over")
        assert not Appointment.objects.exists()

    def test_somebody_was_quicker(self, message):
        client = anonymous().client
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            chosen = client.get(at(message)).json()["slots"][0]
            take_time(message.recall.window.session, instant(chosen["start"]), now=NOW)
            told = client.post(at(message, "/book"), {"slot": chosen["slot"]}, format="json")
            problem = assert_problem(told, 409, "slot_taken")
            # What can be sent back, and nothing of rooms, people and ink.
            [first, *_] = problem["alternatives"]
            assert set(first) == set(chosen)
            answer = client.post(at(message, "/book"), {"slot": first["slot"]}, format="json")
        assert (answer.status_code, answer.json()["start"]) == (200, first["start"])

    def test_times_are_those_of_the_course_and_of_the_clinic_that_the_message_names(self, message):
        named = message.recall.window.session.clinic
        leads = make_clinic(named.chain, country="")
        make_opening_week(leads)
        make_stage(clinic=leads)
        Course.objects.filter(pk=message.recall.course_id).update(clinic=leads)
        client = anonymous().client
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            # Who was treated there finds what they know first.
            near = client.get(at(message)).json()["slots"]
            assert {slot["clinic"] for slot in near} == {named.name}
            Shift.objects.filter(clinic=named).delete()
            far = client.get(at(message)).json()["slots"]
            assert {slot["clinic"] for slot in far} == {leads.name}
            client.post(at(message, "/book"), {"slot": far[0]["slot"]}, format="json")
        assert Appointment.objects.get().clinic == leads

    def test_why_a_visit_cannot_be_is_not_told(self, message):
        client = anonymous().client
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            slot = client.get(at(message)).json()["slots"][0]["slot"]
            Credential.objects.all().delete()
            told = client.post(at(message, "/book"), {"slot": slot}, format="json")
        problem = assert_problem(told, 409, "reply_over")
        assert set(problem) == PLAIN
        assert not Appointment.objects.exists()

    def test_without_anything_to_treat_there_are_no_times(self, message):
        TattooPart.objects.update(cleared_on=NOW.date())
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            answer = anonymous().client.get(at(message))
        assert (answer.status_code, answer.json()["slots"]) == (200, [])

    def test_nobody_can_read_what_a_time_stands_for(self, message):
        with time_machine.travel(NOW + timedelta(minutes=5), tick=False):
            slot = anonymous().client.get(at(message)).json()["slots"][0]["slot"]
            again = anonymous().client.get(at(message)).json()["slots"][0]["slot"]
        assert slot != again
        raw = urlsafe_b64decode(slot + "=" * (-len(slot) % 4))
        # Version and time of Fernet, then what is encrypted: nothing of a signed text is left.
        assert raw[0] == 0x80
        assert b":" not in slot.encode()


def test_each_patients_address_has_a_quota_of_its_own_and_guesses_share_one(scene, monkeypatch):
    monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"reply": "2/min"})
    monkeypatch.setattr(throttling.time, "time", lambda: 1_000_000_020.0)
    cache.clear()
    client, own = Client(), at(scene.message)
    with time_machine.travel(scene.noon, tick=False):
        assert [client.get(own).status_code for _ in range(3)] == [200, 200, 429]
        guesses = [f"/r/{number}-{'A' * 22}" for number in "123"]
        assert [client.get(guess).status_code for guess in guesses] == [404, 404, 429]
        # Whoever is kept from guessing there may still stop what comes to them.
        assert one_click(scene.message).status_code == 200
