"""The pages that patients see at the address in a message, and what they send from there."""

from base64 import b64encode
from datetime import timedelta
from hashlib import sha256
from urllib.parse import urlencode, urlsplit
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.core.cache import cache
from django.test import Client
from rest_framework.settings import api_settings

from clinics.vocabulary import Role
from core.api import throttling
from core.errors import Busy
from courses.channels import TEXTS, reply_link, unsubscribe_link
from courses.channels.page_words import PAGE_WORDS
from courses.models import Appointment, Consent, Message, Recall, RecallPause, Reply
from courses.services.booking import appointment_cancel
from tests.support.booking import NOW
from tests.support.factories import instant, make_actor, make_clinic, make_opening_week
from tests.support.pages import AS_BROWSERS_ASK, FORM, page_of
from tests.support.recalls import make_invited, open_due, send_due, take_time

pytestmark = pytest.mark.django_db

SOON = NOW + timedelta(minutes=5)
ROWS = (Message, Recall, Consent, Reply, RecallPause, Appointment)


@pytest.fixture
def message():
    return make_invited()


@pytest.fixture(autouse=True)
def _soon():
    with time_machine.travel(SOON, tick=False):
        yield


def path(message, tail=""):
    return urlsplit(reply_link(message.pk)).path + tail


def look(address, method="get", **headers):
    told = {"Accept": AS_BROWSERS_ASK, **headers}
    return getattr(Client(), method)(address, headers=told)


def send(address, body, accept=AS_BROWSERS_ASK):
    return Client().post(address, body, content_type=FORM, headers={"Accept": accept})


def followed(answer):
    """What a browser shows in the end."""
    assert answer.status_code == 303
    assert answer.content == b""
    return page_of(look(answer.headers["Location"]))


def rows():
    return [list(model.objects.order_by("pk").values()) for model in ROWS]


class TestWhoGetsAPage:
    @pytest.mark.parametrize("accept", [AS_BROWSERS_ASK, "text/html", "text/html,*/*"])
    def test_a_browser(self, message, accept):
        assert page_of(look(path(message), Accept=accept)).headings[0] == "Your next visit"

    @pytest.mark.parametrize("accept", ["*/*", "application/json", "application/*"])
    def test_a_program_gets_json_as_ever(self, message, accept):
        answer = look(path(message), Accept=accept)
        assert answer.headers["Content-Type"] == "application/json"
        assert answer.json()["can"] == ["book", "later", "stop"]

    def test_another_form_there_is_not(self, message):
        assert look(path(message), Accept="image/png").status_code == 406

    def test_it_is_for_nobody_else_and_runs_nothing(self, message):
        answer = look(path(message))
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["X-Robots-Tag"] == "noindex, nofollow"
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert "Accept" in answer.headers["Vary"]
        assert not answer.cookies
        digest = b64encode(sha256(page_of(answer).style.encode()).digest()).decode()
        policy = {one.strip() for one in answer.headers["Content-Security-Policy"].split(";")}
        assert policy == {
            "default-src 'none'",
            f"style-src 'sha256-{digest}'",
            "base-uri 'none'",
            "form-action 'self'",
            "frame-ancestors 'none'",
        }

    def test_json_is_as_closed_as_ever(self, message):
        policy = look(path(message), Accept="*/*").headers["Content-Security-Policy"]
        assert "style-src" not in policy
        assert "form-action 'none'" in policy

    def test_what_a_program_on_the_way_added_to_the_address(self, message):
        assert look(path(message, "?added=1&added=2&x=")).status_code == 200
        assert look(path(message, "?added=1"), Accept="*/*").status_code == 400


class TestLooking:
    @pytest.mark.parametrize("method", ["get", "head"])
    def test_changes_nothing(self, message, method):
        before = rows()
        for tail in ("", "/book", "/later", "/stop"):
            assert look(path(message, tail), method).status_code == (303 if tail else 200)
        assert look(urlsplit(unsubscribe_link(message.pk)).path, method).status_code == 200
        assert rows() == before

    def test_every_time_is_its_clinics_with_weekday_and_zone(self):
        clinic = make_clinic(country="", time_zone="America/New_York", name="Harbour")
        make_opening_week(clinic)
        message = make_invited(clinic)
        told = look(path(message), Accept="*/*").json()["slots"]
        text = page_of(look(path(message))).text
        assert told
        for slot in told:
            start = instant(slot["start"]).astimezone(ZoneInfo("America/New_York"))
            assert f"{start:%A} {start.day} {start:%B %Y} at {start:%H:%M}" in text
        # 2 March is before the second Sunday of the month: standard time (US Code 15, 260a).
        assert "Harbour, local time there (America/New York, UTC-05:00)" in text

    def test_names_nobody_and_nothing_of_the_skin(self):
        message = make_invited(given_name="Vesperine", family_name="Quillstone")
        point = message.contact_point
        page = page_of(look(path(message)))
        told = (page.text + page.title).lower()
        for word in ("vesperine", "quillstone", "tattoo", "skin", "laser", "session", "forearm"):
            assert word not in told
        assert point.address not in told
        assert "1990" not in told

    @pytest.mark.parametrize("language", ["de", "de-AT"])
    def test_speaks_the_patients_language(self, language):
        page = page_of(look(path(make_invited(language=language))))
        assert page.language == "de"
        assert page.headings[0] == "Ihr nächster Besuch"
        assert "März 2026 um" in page.text

    def test_or_english(self):
        assert page_of(look(path(make_invited(language="pt")))).language == "en"

    def test_has_pages_in_every_language_of_the_messages(self):
        for text in TEXTS.values():
            assert set(text) == set(PAGE_WORDS)

    def test_a_hostile_name_is_a_name(self):
        name = "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;"
        clinic = make_clinic(country="", name=name)
        make_opening_week(clinic)
        message = make_invited(clinic)
        page = page_of(look(path(message)))
        assert name in page.text
        assert name in page.title
        booked = followed(send(page.form("/book").action, chosen(page)))
        assert booked.text.count(name) == 2

    def test_names_the_clinic_of_the_message(self):
        message = make_invited()
        other = make_clinic(message.recall.course.chain, name="Elsewhere", country="")
        message.recall.course.clinic = other
        message.recall.course.save()
        named = message.recall.window.session.clinic.name
        assert look(path(message), Accept="*/*").json()["clinic"] == named
        page = page_of(look(path(message)))
        assert f"– {named}" in page.title
        assert "Elsewhere" not in page.title


def first_start(message):
    told = look(path(message), Accept="*/*").json()["slots"]
    return min(instant(one["start"]) for one in told)


def chosen(page, place=0):
    form = page.form("/book")
    return form.body(slot=form.radios["slot"][place])


class TestBook:
    def test_books_once_however_often_it_is_sent(self, message):
        page = page_of(look(path(message)))
        for place in (0, 0, 1):
            booked = followed(send(page.form("/book").action, chosen(page, place)))
            assert booked.headings[0] == "Your visit is booked"
            assert [form.action for form in booked.forms] == [path(message, "/stop")]
        [visit] = Appointment.objects.all()
        assert f"{visit.starts_at:%A} {visit.starts_at.day} {visit.starts_at:%B %Y} at" in (
            booked.text
        )
        assert visit.clinic.name in booked.text
        assert Reply.objects.count() == 1

    def test_nothing_chosen(self, message):
        page = page_of(look(path(message)))
        answer = send(page.form("/book").action, page.form("/book").body())
        assert answer.status_code == 400
        again = page_of(answer)
        assert again.alerts == [PAGE_WORDS["en"].choose_first]
        assert again.form("/book").radios
        assert not Appointment.objects.exists()

    def test_somebody_was_quicker(self, message):
        page = page_of(look(path(message)))
        start = first_start(message)
        take_time(message.recall.window.session, start, now=SOON)
        answer = send(page.form("/book").action, chosen(page))
        assert answer.status_code == 409
        again = page_of(answer)
        assert again.alerts == [PAGE_WORDS["en"].gone]
        assert Appointment.objects.count() == 1
        assert again.form("/book").radios["slot"]
        followed(send(again.form("/book").action, chosen(again)))
        mine = Appointment.objects.get(course=message.recall.course)
        assert mine.starts_at != start

    def test_a_time_that_was_offered_long_ago_or_never(self, message):
        page = page_of(look(path(message)))
        forged = send(path(message, "/book"), urlencode({"slot": "forged"}))
        assert (forged.status_code, page_of(forged).alerts) == (409, [PAGE_WORDS["en"].gone])
        with time_machine.travel(SOON + timedelta(minutes=40), tick=False):
            late = send(path(message, "/book"), chosen(page))
            assert page_of(late).form("/book").radios["slot"]
        assert late.status_code == 409
        assert not Appointment.objects.exists()

    def test_a_visit_that_fell_through_since(self, message):
        page = page_of(look(path(message)))
        followed(send(path(message, "/book"), chosen(page)))
        visit = Appointment.objects.get()
        desk = make_actor(Role.FRONT_DESK, clinic=visit.clinic)
        appointment_cancel(appointment_id=visit.pk, reason="", actor=desk, now=SOON)
        after = page_of(look(path(message)))
        assert PAGE_WORDS["en"].fell_through in after.text
        assert "Your visit is booked" not in after.text

    def test_a_visit_that_is_over(self, message):
        page = page_of(look(path(message)))
        followed(send(path(message, "/book"), chosen(page)))
        with time_machine.travel(Appointment.objects.get().ends_at, tick=False):
            after = page_of(look(path(message)))
        assert after.headings[0] == PAGE_WORDS["en"].over


class TestLater:
    def test_asks_later_once(self, message):
        form = page_of(look(path(message))).form("/later")
        days = form.lists["until"]
        for day in (days[1], days[1], days[2]):
            later = followed(send(form.action, form.body(until=day)))
            assert later.headings[0] == "We will ask you later"
        [pause] = RecallPause.objects.all()
        assert pause.until.isoformat() == days[1] == "2026-03-30"
        assert "Monday 30 March 2026" in later.text
        # Who wants none is not told when the next one comes.
        assert "30 March" not in followed(send(path(message, "/stop"), "")).text

    def test_every_day_that_is_offered_is_taken(self, message):
        form = page_of(look(path(message))).form("/later")
        for day in form.lists["until"]:
            assert send(form.action, form.body(until=day)).status_code == 303

    @pytest.mark.parametrize("body", ["until=2020-01-01", "until=soon", "", "until=2026-03-30&a=1"])
    def test_a_day_that_makes_no_sense(self, message, body):
        answer = send(path(message, "/later"), body)
        assert answer.status_code == 400
        assert page_of(answer).alerts == [PAGE_WORDS["en"].choose_first]
        assert not RecallPause.objects.exists()


class TestStop:
    def test_stops_invitations_and_then_everything(self, message):
        form = page_of(look(path(message))).form("/stop")
        for _ in range(2):
            page = followed(send(form.action, form.body()))
            assert "You get no more invitations by e-mail." in page.text
        message.contact_point.refresh_from_db()
        assert message.contact_point.opted_out == ["recall"]
        rest = followed(send(path(message, "/stop"), page.form("/stop").body("everything")))
        assert rest.forms == [] or "You get no more messages by e-mail." in rest.text
        message.contact_point.refresh_from_db()
        assert message.contact_point.opted_out == ["aftercare", "recall", "reminder"]

    def test_one_click_from_its_page(self, message):
        address = urlsplit(unsubscribe_link(message.pk)).path
        page = page_of(look(address))
        [form] = page.forms
        assert form.action == address
        for _ in range(2):
            answer = send(form.action, form.body())
            # Nobody is sent elsewhere after one click (RFC 8058, 3.2).
            assert answer.status_code == 200
            assert page_of(answer).forms == []
            assert "You get no more invitations by e-mail." in page_of(answer).text
        message.contact_point.refresh_from_db()
        assert message.contact_point.opted_out == ["recall"]

    def test_one_click_of_a_mail_program_is_answered_as_ever(self, message):
        address = urlsplit(unsubscribe_link(message.pk)).path
        answer = send(address, "List-Unsubscribe=One-Click", accept="*/*")
        assert answer.json() == {"kind": "stop", "again": False, "start": None, "until": None}

    def test_of_a_reminder_nothing_can_be_booked(self, message):
        send(path(message, "/book"), chosen(page_of(look(path(message))), -1))
        open_due(SOON)
        due_at = Recall.objects.filter(kind="reminder").latest("due_at").due_at
        with time_machine.travel(due_at, tick=False):
            send_due(due_at)
            reminder = Message.objects.get(recall__kind="reminder", status="completed")
            page = page_of(look(path(reminder)))
            assert [form.action for form in page.forms] == [path(reminder, "/stop")]
            page = followed(send(page.forms[0].action, page.forms[0].body()))
        assert "You get no more reminders of visits by e-mail." in page.text


class TestOver:
    def test_after_three_weeks_messages_can_be_stopped_still(self, message):
        form = page_of(look(path(message))).form("/later")
        with time_machine.travel(NOW + timedelta(days=22), tick=False):
            page = page_of(look(path(message)))
            late = send(form.action, form.body())
        assert page.headings[0] == PAGE_WORDS["en"].over
        assert "call the clinic" in page.text
        assert [form.action for form in page.forms] == [path(message, "/stop")]
        assert late.status_code == 409
        assert page_of(late).alerts == [PAGE_WORDS["en"].nothing_done]
        assert not RecallPause.objects.exists()

    @pytest.mark.parametrize(
        "address", ["/r/1-AAAAAAAAAAAAAAAAAAAAAA", "/r/1vw-AA", "/u/", "/r/a/b"]
    )
    def test_an_address_that_leads_nowhere(self, address):
        for answer in (look(address), send(f"{address}/book", "slot=1")):
            assert answer.status_code == 404
            page = page_of(answer)
            assert (page.language, page.forms) == ("en", [])
            assert page.headings == [PAGE_WORDS["en"].unknown]
        german = page_of(look(address, **{"Accept-Language": "de-CH,de;q=0.9,en;q=0.5"}))
        assert german.language == "de"
        program = look(address, Accept="*/*")
        assert (program.status_code, program.json()["code"]) == (404, "reply_link_unknown")

    @pytest.mark.parametrize("address", ["/r/1vw-AA", "/r/1-AAAAAAAAAAAAAAAAAAAAAA/book"])
    def test_guesses_that_are_refused_get_a_page_too(self, address, monkeypatch):
        assert page_of(look(address, "delete")).headings == [PAGE_WORDS["en"].wrong]
        assert look(address).status_code in {404, 405}
        monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"reply": "0/min"})
        assert page_of(look(address)).headings == [PAGE_WORDS["en"].too_many]

    def test_too_many_requests(self, message, monkeypatch):
        monkeypatch.setattr(api_settings, "DEFAULT_THROTTLE_RATES", {"reply": "2/min"})
        monkeypatch.setattr(throttling.time, "time", lambda: 1_000_000_020.0)
        cache.clear()
        answers = [look(path(message)) for _ in range(3)]
        assert [one.status_code for one in answers] == [200, 200, 429]
        page = page_of(answers[-1])
        assert page.headings == [PAGE_WORDS["en"].too_many]
        assert int(answers[-1].headers["Retry-After"]) > 0

    def test_the_service_is_busy(self, message, monkeypatch):
        def busy(**_):
            raise Busy

        monkeypatch.setattr("courses.api.replies.reply_stop", busy)
        answer = send(path(message, "/stop"), "")
        assert answer.status_code == 503
        page = page_of(answer)
        assert page.headings == [PAGE_WORDS["en"].busy]
        assert page.links[-1] == path(message)

    def test_what_nobody_foresaw(self, message, monkeypatch, caplog):
        def fails(*_, **__):
            raise RuntimeError

        monkeypatch.setattr("courses.api.reply_links.answers_page", fails)
        client = Client(raise_request_exception=False)
        answer = client.get(path(message), headers={"Accept": AS_BROWSERS_ASK})
        assert answer.status_code == 500
        assert page_of(answer).headings == [PAGE_WORDS["en"].wrong]
        [told] = [one for one in caplog.records if one.name == "courses.api.reply_links"]
        assert told.exc_info
        with pytest.raises(RuntimeError):
            look(path(message))

    @pytest.mark.parametrize("body", ["x" * 9000, "everything=maybe", "a=%FF&everything=true"])
    def test_a_form_that_was_not_ours(self, message, body):
        answer = send(path(message, "/stop"), body)
        assert answer.status_code == 400
        assert page_of(answer).alerts
        assert not Consent.objects.filter(decision="withdrawn").exists()
