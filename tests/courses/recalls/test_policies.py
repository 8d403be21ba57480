"""The cadence as chain policy: versions, who may change it, what it may say, and what follows."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from courses.models import Message, Recall, RecallPlan, RecallPolicy
from courses.timing import BadCadence, cadence_of, document_of
from courses.timing.cadence import DEFAULT
from tests.support.api import assert_problem, sign_in
from tests.support.factories import make_clinic
from tests.support.recalls import make_scene, open_due, send_due, statuses

NIGHT = {"from": "20:00", "until": "08:00"}


def document(**changes) -> dict:
    return {**document_of(DEFAULT), **changes}


def step(**changes) -> dict:
    return {"kind": "invitation", "key": "a", "days": 0, "template": "invitation", **changes}


def test_the_default_is_a_document_like_any_other():
    assert cadence_of(document_of(DEFAULT), number=0) == DEFAULT


@pytest.mark.parametrize(
    ("wrong", "where", "rule"),
    [
        ({"steps": None}, "steps", "steps"),
        ({"steps": [step()] * 25}, "steps", "steps"),
        ({"steps": [step(), step()]}, "steps/1/key", "twice"),
        ({"steps": [step(kind="change")]}, "steps/0/kind", "kind"),
        ({"steps": [step(kind="birthday")]}, "steps/0/kind", "code"),
        ({"steps": [step(days=-61)]}, "steps/0/days", "days"),
        ({"steps": [step(days=True)]}, "steps/0/days", "days"),
        ({"steps": [step(kind="reminder", days=1)]}, "steps/0/days", "days"),
        ({"steps": [step(kind="aftercare", days=-1)]}, "steps/0/days", "days"),
        ({"steps": [step(key="A b")]}, "steps/0/key", "key"),
        ({"steps": [step(channels=["pigeon"])]}, "steps/0/channels/0", "code"),
        ({"steps": [step(channels=["sms", "sms"])]}, "steps/0/channels", "channels"),
        ({"steps": [step(colour="red")]}, "steps/0/colour", "unknown"),
        ({"steps": [step(desk="yes")]}, "steps/0/desk", "desk"),
        ({"civil_hour": "25:00"}, "civil_hour", "time"),
        ({"civil_hour": "10:00:30"}, "civil_hour", "time"),
        ({"quiet_hours": {"sms": {"from": "20:00"}}}, "quiet_hours/sms/until", "time"),
        ({"quiet_hours": {"drum": NIGHT}}, "quiet_hours/drum", "code"),
        ({"mood": "good"}, "mood", "unknown"),
        ({"language": "german"}, "language", "language"),
        ({"language": None}, "language", "language"),
    ],
)
def test_faults_have_a_place(wrong, where, rule):
    with pytest.raises(BadCadence) as fault:
        cadence_of(document(**wrong), number=1)
    assert (fault.value.field, fault.value.rule) == (where, rule)


@pytest.mark.django_db
class TestOverHttp:
    @pytest.fixture
    def clinic(self):
        return make_clinic()

    @pytest.fixture
    def manager(self, clinic):
        return sign_in(Role.CHAIN_MANAGER, chain=clinic.chain)

    def put(self, caller, *, based_on=0, **changes):
        body = {"document": document(**changes), "based_on": based_on, "note": "fewer"}
        return caller.post("/recall-policies", body)

    def test_the_default_until_there_is_a_version(self, manager):
        shown = manager.get("/recall-policy").json()
        assert shown == {"number": 0, "document": document_of(DEFAULT)}
        answer = self.put(manager, civil_hour="11:30")
        assert answer.status_code == 201, answer.json()
        assert answer.json()["number"] == 1
        shown = manager.get("/recall-policy").json()
        assert (shown["number"], shown["document"]["civil_hour"]) == (1, "11:30")
        assert [one["number"] for one in manager.get("/recall-policies").json()["items"]] == [1]

    def test_what_came_in_between_is_not_lost(self, manager):
        self.put(manager, civil_hour="11:30")
        assert_problem(self.put(manager), 409, "recall_policy_overtaken")
        assert RecallPolicy.objects.count() == 1

    def test_a_text_that_is_not_there_is_named(self, manager):
        answer = self.put(manager, steps=[step(template="birthday")])
        problem = assert_problem(answer, 400, "cadence_malformed")
        assert [one["pointer"] for one in problem["errors"]] == ["/document/steps/0/template"]
        assert not RecallPolicy.objects.exists()

    @pytest.mark.parametrize(
        ("kind", "template", "known"),
        [
            ("reminder", "invitation", "for reminder there are reminder"),
            ("invitation", "reminder", "invitation, invitation-again, invitation-ahead"),
            ("aftercare", "reminder", "for aftercare there are aftercare"),
            ("reminder", "moved", "for reminder there are reminder"),
        ],
    )
    def test_a_text_of_another_kind_is_named(self, manager, kind, template, known):
        first = step(key="first")
        wrong = {"kind": kind, "key": "a", "days": 0, "template": template}
        answer = self.put(manager, steps=[first, wrong])
        problem = assert_problem(answer, 400, "cadence_malformed")
        [error] = problem["errors"]
        assert error["pointer"] == "/document/steps/1/template"
        assert f"the text {template} is for another kind of step" in error["detail"]
        assert known in error["detail"]
        assert not RecallPolicy.objects.exists()

    def test_the_language_of_texts_is_part_of_it(self, manager):
        answer = self.put(manager, language="German")
        assert answer.status_code == 400
        assert answer.json()["errors"][0]["pointer"].endswith("/language")
        assert self.put(manager, language="de").status_code == 201
        assert manager.get("/recall-policy").json()["document"]["language"] == "de"

    @pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.TREATING_CLINICIAN, Role.INTEGRATOR])
    def test_others_may_read_only(self, clinic, role):
        caller = sign_in(role, clinic=clinic)
        assert caller.get("/recall-policy").status_code == 200
        assert_problem(self.put(caller), 403)

    def test_a_manager_of_one_clinic_may_not(self, clinic):
        assert_problem(self.put(sign_in(Role.CHAIN_MANAGER, clinic=clinic)), 403)

    def test_another_chain_has_its_own(self, manager):
        self.put(manager, civil_hour="11:30")
        stranger = sign_in(Role.CHAIN_MANAGER)
        assert stranger.get("/recall-policy").json()["number"] == 0
        assert stranger.get("/recall-policies").json()["items"] == []


@pytest.mark.django_db
class TestPlansFollow:
    @pytest.fixture
    def manager(self, scene):
        return sign_in(Role.CHAIN_MANAGER, chain=scene.ward.chain)

    def put(self, manager, **changes):
        body = {"document": document(**changes), "based_on": 0}
        assert manager.post("/recall-policies", body).status_code == 201

    def test_another_hour_moves_what_has_not_left(self, scene, manager, way):
        open_due(scene.closes_at)
        self.put(manager, civil_hour="15:30")
        open_due(scene.closes_at)
        at = scene.closes_at + timedelta(hours=15, minutes=30)
        assert (scene.recall.due_at, scene.message.due_at) == (at, at)
        assert RecallPlan.objects.get(course=scene.course).policy == 1
        send_due(scene.noon, way)
        assert way.sent == []

    def test_a_step_that_is_gone_is_withdrawn(self, scene, manager):
        open_due(scene.closes_at)
        self.put(manager, steps=[step(key="later", days=5)])
        open_due(scene.closes_at)
        assert scene.steps == [("window-closed", "revoked"), ("later", "active")]
        assert statuses(Recall.objects.filter(step="window-closed")) == [
            ("revoked", "policy_changed")
        ]
        assert set(Message.objects.values_list("status", flat=True)) == {
            "not-done",
            "preparation",
        }

    def test_a_second_look_changes_nothing(self, scene, manager):
        self.put(manager, civil_hour="15:30")
        assert open_due(scene.closes_at)["planned"] == 1
        assert open_due(scene.closes_at)["planned"] == 0

    def test_other_chains_are_not_looked_at(self, scene, manager):
        other = make_scene()
        open_due(scene.closes_at)
        self.put(manager, civil_hour="15:30")
        assert open_due(scene.closes_at)["planned"] == 1
        assert RecallPlan.objects.get(course=other.course).policy == 0
