"""Calculators: what the service computes for records, asked for plain inputs."""

import pytest

from clinics.vocabulary import Role
from courses.models import HealingWindow
from tests.support.api import assert_problem, pointers, sign_in

pytestmark = pytest.mark.django_db


@pytest.fixture
def caller(db):
    return sign_in(Role.LASER_SAFETY_OFFICER)


class TestHealingWindow:
    def preview(self, caller, **body):
        return caller.post("/calculators/healing-window", {"treated_on": "2026-02-10", **body})

    def test_says_what_it_does_not_know(self, caller):
        shown = self.preview(caller).json()
        assert (shown["earliest_on"], shown["advised_on"]) == ("2026-03-24", "2026-04-08")
        assert set(shown["missing"]) >= {"skin_type", "site", "area_cm2", "smoker", "gold_ever"}
        assert shown["summary"]
        assert shown["basis"]
        assert not HealingWindow.objects.exists()

    def test_closes_at_midnight_in_the_zone(self, caller):
        shown = self.preview(caller, time_zone="America/New_York").json()
        assert shown["closes_at"] == "2026-03-24T04:00:00Z"

    def test_observations_and_holds(self, caller):
        seen = [{"kind": "crust", "observed_on": "2026-02-17"}]
        shown = self.preview(caller, observations=seen, gold_ever=False).json()
        assert (shown["state"], shown["earliest_on"]) == ("held", None)
        assert shown["holds"][0] == {
            "rule_id": "healing.after-healed",
            "until": "seen_healed",
            "reason": shown["holds"][0]["reason"],
            "keys": ["0"],
        }
        assert shown["flags"][0]["kind"] == "crust"

    def test_the_chains_own_rules_hold(self, caller):
        chain = caller.staff.chain
        chain.healing_policy = {"healing.base": {"days": 49}}
        chain.save()
        assert self.preview(caller).json()["earliest_on"] == "2026-03-31"

    @pytest.mark.parametrize(
        ("changes", "status", "pointer"),
        [
            ({"as_of": "2026-02-01"}, 422, "/as_of"),
            ({"passes": 0}, 400, "/passes"),
            ({"treated_on": "0001-01-01"}, 400, "/treated_on"),
            ({"as_of": "9999-12-31"}, 400, "/as_of"),
            ({"sun_exposures": ["9999-12-31"]}, 400, "/sun_exposures/0"),
            ({"area_cm2": 0}, 400, "/area_cm2"),
            ({"time_zone": "Nowhere"}, 400, "/time_zone"),
            (
                {"observations": [{"kind": "crust", "observed_on": "2026-02-01"}]},
                422,
                "/observations/observed_on",
            ),
        ],
    )
    def test_bad_input_names_the_field(self, caller, changes, status, pointer):
        answer = self.preview(caller, **changes)
        assert pointer in pointers(assert_problem(answer, status))
