"""One window: the latest date of all rules, holds, states, and what an outcome tells."""

from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.healing import Standing, compute_window
from courses.healing.window import DEFAULT_POLICY
from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite, ObservationKind, SkinResponse, SkinType, WindowState
from tests.support.healing_cases import DAY_42, DAY_56, DAY_57, DAY_84, TREATED, facts, on_day, seen


def outcome(window, rule_id):
    return next(o for o in window.outcomes if o.rule.id == f"healing.{rule_id}")


def test_a_plain_treatment_heals_for_six_weeks_and_is_advised_on_day_57():
    window = compute_window(facts(today=1))

    assert window.state is WindowState.OPEN
    assert (window.earliest_on, window.advised_on) == (DAY_42, DAY_57)
    assert [o.rule.id for o in window.bound] == ["healing.base", "healing.advised"]


@pytest.mark.parametrize(
    "changes",
    [
        {"passes": 2},
        {"skin_type": SkinType.IV},
        {"skin_type": SkinType.VI},
        {"site": BodySite.LOWER_LEG},
        {"site": BodySite.THIGH},
        {"site": BodySite.FOOT},
        {"site": BodySite.HAND},
        {"area_cm2": 30.1},
        {"smoker": True},
    ],
)
def test_each_of_five_conditions_asks_for_56_days(changes):
    assert compute_window(facts(**changes)).earliest_on == DAY_56


@pytest.mark.parametrize(
    "changes",
    [{"skin_type": SkinType.III}, {"site": BodySite.FOREARM}, {"area_cm2": 30.0}, {"passes": 1}],
)
def test_just_below_the_condition_asks_for_42_days(changes):
    assert compute_window(facts(**changes)).earliest_on == DAY_42


def test_all_conditions_together_are_a_maximum_and_not_a_sum():
    window = compute_window(
        facts(passes=4, skin_type=SkinType.VI, site=BodySite.FOOT, area_cm2=90.0, smoker=True)
    )

    assert window.earliest_on == DAY_56
    assert len(window.bound) == 6  # the five, and the advised day


@pytest.mark.parametrize(("today", "state"), [(55, "open"), (56, "closed"), (57, "closed")])
def test_state_on_the_days_around_closing(today, state):
    window = compute_window(facts(today=today, smoker=True))

    assert window.earliest_on == DAY_56
    assert window.state == state


@pytest.mark.parametrize(("healed", "days"), [(27, 56), (28, 56), (29, 57)])
def test_healed_date_takes_over_from_56_days_on_day_29(healed, days):
    window = compute_window(facts(seen("swelling", day=3, resolved=healed), skin_type=SkinType.V))

    assert window.days == days
    assert window.advised_on == on_day(57)


@pytest.mark.parametrize(
    ("observations", "days"),
    [
        ([seen("blister", day=2, resolved=9), seen("erosion", day=5, resolved=12)], 84),
        ([seen("blister", day=2, resolved=9)], 42),
        ([seen("erosion", day=2, resolved=14)], 42),
        ([seen("erosion", day=2, resolved=15)], 84),
        ([seen("crust", day=2, resolved=15)], 84),
        ([seen("crust", day=15, resolved=15)], 84),
        ([seen("crust", day=14, resolved=14)], 42),
        ([seen("hyperpigmentation", day=30)], 84),
        ([seen("swelling", day=2, resolved=20)], 48),
        ([seen("crust", day=2, resolved=70)], 98),
        ([seen("tan", day=40)], 68),
        ([seen("sunburn", day=10)], 42),
        ([seen("texture_change", day=40)], 42),
        ([seen("erythema", day=3)], 42),
    ],
)
def test_what_the_skin_showed_moves_the_date(observations, days):
    assert compute_window(facts(*observations)).days == days


def test_an_unhealed_wound_holds_the_date_open_and_says_so():
    window = compute_window(facts(seen("blister", day=2), today=10))

    assert window.state is WindowState.HELD
    assert (window.earliest_on, window.advised_on) == (None, None)
    assert window.not_before == DAY_42
    (hold,) = window.holds
    assert (hold.rule_id, hold.until, hold.keys) == (
        "healing.after-healed",
        "seen_healed",
        ("blister-2",),
    )


def test_an_unhealed_crust_becomes_slow_healing_after_14_days():
    assert compute_window(facts(seen("crust", day=3), today=14)).not_before == DAY_42
    assert compute_window(facts(seen("crust", day=3), today=15)).not_before == DAY_84


def test_raised_skin_is_held_from_day_42_until_seen_flat():
    raised = seen("raised", day=20)

    assert compute_window(facts(raised, today=41)).state is WindowState.OPEN
    held = compute_window(facts(raised, today=42))
    assert held.state is WindowState.HELD
    assert held.holds[0].until == "seen_flat"
    flat_late = compute_window(facts(raised, seen("flat", day=60), today=60))
    assert flat_late.earliest_on == on_day(60)
    flat_early = compute_window(facts(raised, seen("flat", day=30), today=60))
    assert flat_early.earliest_on == DAY_42


def test_raised_skin_that_settled_keeps_its_day_when_more_is_raised():
    settled = seen("raised", day=0, resolved=43)

    assert compute_window(facts(settled)).earliest_on == on_day(43)
    held = compute_window(facts(settled, seen("raised", day=0, key="again")))
    assert (held.state, held.not_before) == (WindowState.HELD, on_day(43))
    looked_again = compute_window(facts(seen("raised", day=3, resolved=20), seen("flat", day=60)))
    assert looked_again.earliest_on == DAY_42


def test_raised_again_after_flat_is_held_again():
    window = compute_window(
        facts(seen("raised", day=5), seen("flat", day=20), seen("raised", day=45), today=50)
    )

    assert window.state is WindowState.HELD


@pytest.mark.parametrize(
    ("kind", "rule"),
    [
        ("infection_sign", "infection"),
        ("scar", "scar"),
        ("allergy", "allergy"),
        ("darkening", "darkening"),
        ("pigment_loss", "pigment-loss"),
        ("torn_epidermis", "torn-epidermis"),
    ],
)
def test_findings_that_a_clinician_must_release(kind, rule):
    window = compute_window(facts(seen(kind, day=8, resolved=20)))

    assert window.state is WindowState.HELD
    assert [h.rule_id for h in window.holds] == [f"healing.{rule}"]
    assert window.holds[0].until == "clinician_release"
    assert outcome(window, rule).standing is Standing.BOUND


@pytest.mark.parametrize(
    ("response", "rule"),
    [
        (SkinResponse.TORN_EPIDERMIS, "torn-epidermis"),
        (SkinResponse.DARKENING, "darkening"),
        (SkinResponse.WHEAL, "allergy"),
    ],
)
def test_what_the_passes_showed_holds_too(response, rule):
    window = compute_window(facts(responses=frozenset({response, SkinResponse.WHITENING})))

    assert [h.rule_id for h in window.holds] == [f"healing.{rule}"]
    assert window.holds[0].keys == (f"session:{response.value}",)


def test_expected_responses_change_nothing():
    expected = frozenset(
        {SkinResponse.WHITENING, SkinResponse.PINPOINT_BLEEDING, SkinResponse.OEDEMA}
    )

    assert compute_window(facts(responses=expected)).days == 42


def test_a_blister_in_the_passes_counts_until_it_is_recorded():
    blister = frozenset({SkinResponse.BLISTER})

    assert compute_window(facts(responses=blister)).state is WindowState.HELD
    recorded = compute_window(facts(seen("blister", day=1, resolved=20), responses=blister))
    assert recorded.days == 48


def test_gold_is_never_and_nothing_else_binds():
    window = compute_window(facts(seen("scar", day=8), gold_ever=True, smoker=True))

    assert window.state is WindowState.NEVER
    assert (window.earliest_on, window.not_before, window.holds) == (None, None, ())
    assert [o.rule.id for o in window.bound] == ["healing.gold"]


def test_unknown_facts_are_named_and_not_guessed():
    window = compute_window(
        facts(skin_type=None, site=None, area_cm2=None, smoker=None, gold_ever=None)
    )

    assert window.missing == ("skin_type", "site", "area_cm2", "smoker", "gold_ever")
    assert window.days == 42


def test_every_rule_gives_an_outcome_with_a_reason():
    window = compute_window(facts(seen("tan", day=40), passes=2))

    assert {o.rule.id for o in window.outcomes} == {
        "healing.base",
        "healing.advised",
        "healing.several-passes",
        "healing.skin-type",
        "healing.limb",
        "healing.large-area",
        "healing.smoker",
        "healing.blister-with-erosion",
        "healing.hyperpigmentation",
        "healing.slow-healing",
        "healing.after-healed",
        "healing.sun",
        "healing.still-raised",
        "healing.infection",
        "healing.scar",
        "healing.allergy",
        "healing.darkening",
        "healing.pigment-loss",
        "healing.torn-epidermis",
        "healing.gold",
    }
    assert all(o.reason and o.rule.source and o.rule.explanation for o in window.outcomes)
    assert outcome(window, "sun").standing is Standing.BOUND
    assert outcome(window, "several-passes").standing is Standing.APPLIED
    assert outcome(window, "smoker").standing is Standing.NOT_APPLICABLE


@pytest.mark.parametrize(
    ("changes", "field", "rule"),
    [
        ({"today": -1}, "today", "today-before-treatment"),
        ({"passes": 0}, "passes", "passes-range"),
        ({"passes": 21}, "passes", "passes-range"),
        ({"area_cm2": 0.0}, "area_cm2", "area-range"),
        ({"area_cm2": float("nan")}, "area_cm2", "area-range"),
        ({"area_cm2": 25_001.0}, "area_cm2", "area-range"),
        ({"sun_exposures": (on_day(101),)}, "sun_exposures", "date-in-future"),
    ],
)
def test_bad_facts_name_field_and_rule(changes, field, rule):
    with pytest.raises(InvalidInput) as caught:
        facts(**changes)

    assert (caught.value.field, caught.value.rule) == (field, rule)


@pytest.mark.parametrize(
    ("build", "rule"),
    [
        (lambda: seen("crust", day=5, began=6), "began-after-observed"),
        (lambda: seen("crust", day=5, resolved=4), "resolved-before-observed"),
        (lambda: facts(seen("crust", day=-1)), "observed-before-treatment"),
        (lambda: facts(seen("crust", day=11), today=10), "date-in-future"),
        (lambda: facts(seen("crust", day=5, resolved=11), today=10), "date-in-future"),
    ],
)
def test_observations_out_of_order_are_refused(build, rule):
    with pytest.raises(InvalidInput) as caught:
        build()

    assert caught.value.rule == rule


def lateness(window):
    """A window as something that can be compared: never > held > a date."""
    stage = {WindowState.NEVER: 2, WindowState.HELD: 1}.get(window.state, 0)
    return (stage, window.not_before or TREATED + timedelta(days=100_000))


LENGTHENING = [kind for kind in ObservationKind if kind is not ObservationKind.FLAT]


@st.composite
def observations(draw):
    day = draw(st.integers(0, 90))
    resolved = draw(st.none() | st.integers(day, 100))
    return seen(draw(st.sampled_from(LENGTHENING)), day=day, resolved=resolved)


@st.composite
def any_facts(draw):
    return facts(
        *draw(st.lists(observations(), max_size=4)),
        *draw(st.lists(st.integers(0, 90).map(lambda d: seen("flat", day=d)), max_size=1)),
        passes=draw(st.integers(1, 5)),
        skin_type=draw(st.none() | st.sampled_from(SkinType)),
        site=draw(st.none() | st.sampled_from(BodySite)),
        area_cm2=draw(st.none() | st.floats(1, 900)),
        smoker=draw(st.none() | st.booleans()),
        gold_ever=draw(st.booleans()),
    )


@given(base=any_facts(), extra=observations())
def test_one_more_finding_never_makes_the_window_earlier(base, extra):
    more = facts(
        *base.observations,
        extra,
        passes=base.passes,
        skin_type=base.skin_type,
        site=base.site,
        area_cm2=base.area_cm2,
        smoker=base.smoker,
        gold_ever=base.gold_ever,
    )

    before, after = compute_window(base), compute_window(more)

    assert lateness(after)[0] >= lateness(before)[0]
    assert lateness(after)[1] >= lateness(before)[1]


@given(base=any_facts())
def test_the_date_is_the_maximum_of_the_rules_that_have_one(base):
    window = compute_window(base, DEFAULT_POLICY)

    if window.state is WindowState.NEVER:
        return
    dates = [o.on for o in window.outcomes if o.on and o.rule.effect != "advise"]
    assert window.not_before == max(dates)
    assert window.earliest_on in {None, window.not_before}
    assert (window.earliest_on is None) == bool(window.holds)
    if window.earliest_on:
        assert window.advised_on == max(DAY_57, window.earliest_on)


def test_a_hold_keeps_the_day_on_which_other_raised_skin_was_seen_flat():
    flat_late = seen("raised", day=0, resolved=43)
    held = compute_window(facts(flat_late, seen("raised", day=1)))

    assert held.state is WindowState.HELD
    assert held.not_before == compute_window(facts(flat_late)).not_before
