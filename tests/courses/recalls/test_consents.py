"""What patients said about messages: kept for ever, and counting at once."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, connection

from clinics.vocabulary import Role
from courses.models import Consent, ContactPoint
from courses.services.consents import Said, contact_point_opt_out
from courses.services.recalls.claims import message_claim
from courses.timing.words import ConsentDecision, MessagePurpose
from tests.support.api import assert_problem, queries_of, sign_in
from tests.support.courses import NOW, make_contact_point, make_patient, say
from tests.support.factories import make_actor, make_clinic
from tests.support.recalls import open_due, send_due, statuses

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def clinic():
    return make_clinic()


@pytest.fixture
def point(clinic) -> ContactPoint:
    return make_contact_point(make_patient(clinic), consented_at=None)


@pytest.fixture
def desk(clinic):
    return sign_in(Role.FRONT_DESK, clinic=clinic)


def record(desk, point, **body):
    return desk.post(
        "/consents",
        {
            "contact_point": point.pk,
            "purpose": "recall",
            "decision": "given",
            "source": "by phone",
            **body,
        },
    )


class TestTheLedger:
    def test_the_newest_decision_of_each_purpose_counts(self, point):
        say(point, "given", at=NOW)
        assert point.allowed == ["aftercare", "recall", "reminder"]
        say(point, "withdrawn", "recall", at=NOW + DAY)
        assert (point.allowed, point.opted_out) == (["aftercare", "reminder"], ["recall"])
        say(point, "given", "recall", at=NOW + 2 * DAY)
        assert point.opted_out == []

    def test_newest_is_by_when_it_was_said_not_when_it_was_written(self, point):
        say(point, "withdrawn", "recall", at=NOW + DAY)
        say(point, "given", "recall", at=NOW)
        assert (point.allowed, point.opted_out) == ([], ["recall"])

    def test_the_version_of_the_contact_point_grows_with_what_it_may(self, point):
        before = point.version
        say(point, "given", "recall", at=NOW)
        assert point.version == before + 1
        say(point, "given", "recall", at=NOW + DAY)
        assert point.version == before + 1

    @pytest.mark.parametrize(
        "statement",
        [
            "UPDATE courses_consent SET decision = 'given'",
            "DELETE FROM courses_consent",
            "TRUNCATE courses_consent",
        ],
    )
    def test_nothing_is_changed_or_removed(self, point, statement):
        say(point, "withdrawn", at=NOW)
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
            with pytest.raises(IntegrityError):
                cursor.execute(statement)


class TestOverHttp:
    def test_records_and_shows_the_proof(self, point, desk):
        answer = record(desk, point)
        assert answer.status_code == 201, answer.json()
        shown = answer.json()
        assert (shown["purpose"], shown["decision"], shown["source"]) == (
            "recall",
            "given",
            "by phone",
        )
        assert (shown["address"], shown["channel"]) == (point.address, "email")
        assert desk.get(f"/consents/{shown['id']}").json() == shown
        assert desk.get(f"/contact-points/{point.pk}").json()["allowed"] == ["recall"]

    def test_an_opt_out_counts_for_every_address_of_the_channel(self, point, desk):
        other = make_contact_point(point.patient)
        text = make_contact_point(point.patient, channel="sms", address="+4915112345678")
        record(desk, point, decision="withdrawn")
        other.refresh_from_db()
        text.refresh_from_db()
        assert other.opted_out == ["recall"]
        assert text.opted_out == []

    def test_filters(self, point, desk):
        say(point, "given", at=NOW)
        say(point, "withdrawn", "recall", at=NOW + DAY)
        for query, number in (
            ({}, 4),
            ({"purpose": "recall"}, 2),
            ({"decision": "withdrawn"}, 1),
            ({"patient": point.patient_id}, 4),
            ({"channel": "sms"}, 0),
        ):
            assert len(desk.get("/consents", **query).json()["items"]) == number

    @pytest.mark.parametrize(
        "wrong",
        [{"purpose": "marketing"}, {"decision": "perhaps"}, {"source": ""}, {"contact_point": 0}],
    )
    def test_bad_bodies_are_refused(self, point, desk, wrong):
        assert record(desk, point, **wrong).status_code == 400
        assert not Consent.objects.exists()

    def test_not_in_the_future(self, point, desk):
        assert_problem(record(desk, point, decided_at="2099-01-01T00:00:00Z"), 400)

    @pytest.mark.parametrize("role", [Role.LASER_OPERATOR, Role.CHAIN_MANAGER])
    def test_others_may_not(self, point, clinic, role):
        assert_problem(record(sign_in(role, clinic=clinic), point), 403)

    def test_another_chain_knows_of_nothing(self, point):
        say(point, "given", at=NOW)
        stranger = sign_in(Role.FRONT_DESK)
        assert stranger.get("/consents").json()["items"] == []
        assert record(stranger, point).status_code == 400

    def test_the_list_costs_the_same_for_three_and_for_twelve(self, point, desk):
        say(point, "given", at=NOW)
        three = queries_of(desk, "/consents")
        for days in range(1, 4):
            say(point, "given", at=NOW + days * DAY)
        assert queries_of(desk, "/consents") == three


# Whether a worker that was not heard of again has told them, nobody knows.
@pytest.mark.parametrize(
    ("claimed", "reason"), [(False, "no_contact_point"), (True, "outcome_unknown")]
)
def test_an_opt_out_counts_for_what_is_due_already(scene, way, claimed, reason):
    open_due(scene.noon)
    if claimed:
        assert message_claim(now=scene.noon) is not None
    contact_point_opt_out(
        contact_point_id=scene.point.pk,
        said=Said(
            ConsentDecision.WITHDRAWN,
            source="by word of mouth",
            purposes=(MessagePurpose.RECALL,),
        ),
        actor=make_actor(Role.FRONT_DESK, chain=scene.ward.chain),
        now=scene.noon,
    )
    send_due(scene.noon + timedelta(minutes=3), way)
    assert way.sent == []
    assert statuses([scene.recall]) == [("on-hold", reason)]
