"""What stands behind the answers, shown as tables; and reactions that outlast their usual time."""

from datetime import timedelta

import pytest

from clinics.vocabulary import Role
from tests.support.api import assert_problem
from tests.support.courses import NOW, make_observation, make_session, make_window

pytestmark = pytest.mark.django_db


class TestHealingRules:
    def test_every_rule_with_its_source_and_the_values_in_force(self, ward, clinician):
        ward.chain.healing_policy = {"healing.base": {"days": 49}}
        ward.chain.save()
        shown = clinician.get("/healing-rules").json()
        rules = {rule["id"]: rule for rule in shown["rules"]}
        (days,) = rules["healing.base"]["parameters"]
        assert (days["default"], days["in_force"], days["stricter"]) == (42, 49, "higher")
        assert all(rule["source"] and rule["explanation"] for rule in shown["rules"])
        assert rules["healing.gold"]["effect"] == "never"
        sites = {one["name"]: one for one in rules["healing.limb"]["parameters"]}["sites"]
        assert "foot" in sites["in_force"]
        assert shown["policy_version"].startswith("chain:")
        assert shown["caution"]

    def test_usual_courses_of_reactions(self, clinician):
        courses = clinician.get("/healing-rules").json()["time_courses"]
        blister = next(one for one in courses if one["reaction"] == "blister")
        assert blister["usual_days"] == [7, 14]
        assert blister["source"]

    def test_who_may(self, ward):
        assert_problem(ward.caller(Role.LASER_SAFETY_OFFICER).get("/healing-rules"), 403)


class TestScales:
    def test_grades_and_their_bands(self, desk):
        shown = desk.get("/clearance-scales").json()
        scales = {one["scale"]: one["bands"] for one in shown["items"]}
        assert scales["quartiles"][1] == {"grade": 2, "name": "fair", "low": 0.25, "high": 0.5}
        assert len(scales["deciles"]) == 11
        assert shown["basis"]


class TestFlags:
    def explained(self, caller, window):
        return caller.get(f"/healing-windows/{window.pk}/explain").json()

    def test_a_reaction_that_outlasts_its_usual_time_is_flagged(self, ward, clinician):
        session = make_session(ward, NOW - timedelta(days=40))
        window = make_window(session)
        crust = make_observation(session, kind="crust")
        (flag,) = self.explained(clinician, window)["flags"]
        assert (flag["kind"], flag["refer"]) == ("crust", True)
        assert flag["key"] == f"observation:{crust.pk}"
        assert "day 40; usually gone by day 14" in flag["text"]
        assert flag["source"]

    def test_one_that_went_in_time_is_not(self, ward, clinician):
        session = make_session(ward, NOW - timedelta(days=40))
        window = make_window(session)
        make_observation(session, kind="crust", resolved_on=session.treated_on + timedelta(days=10))
        assert self.explained(clinician, window)["flags"] == []
