"""Releases and shortenings: what a clinician decided, and what nobody has looked at yet."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.healing import (
    Release,
    compute_window,
    held_in,
    outcomes_json,
    set_aside_in,
    shorten,
    shortening_from_json,
    shortening_json,
)
from courses.science.errors import InvalidInput
from courses.vocabulary import SkinResponse, WindowState
from tests.support.healing_cases import DAY_42, TREATED, facts, on_day, seen

WHO = {"by": "Dr Invented", "reason": "Seen, dry and closed."}


def release(day, **more):
    return Release(released_on=on_day(day), **(WHO | more))


def test_a_release_lifts_the_hold_and_is_shown_with_who_and_when():
    scar = seen("scar", day=20)

    window = compute_window(facts(scar), releases=[release(50)])

    assert window.state is WindowState.CLOSED
    assert window.earliest_on == on_day(50)
    assert window.releases[0].by == "Dr Invented"
    (outcome,) = (o for o in window.outcomes if o.rule.id == "healing.scar")
    assert outcome.released_by == "Dr Invented"
    assert outcome.hold is None


def test_a_release_before_the_rules_allow_leaves_the_rules_in_force():
    window = compute_window(facts(seen("scar", day=5)), releases=[release(10)])

    assert window.earliest_on == DAY_42


def test_a_release_of_one_rule_leaves_other_holds():
    window = compute_window(
        facts(seen("scar", day=5), seen("infection_sign", day=6)),
        releases=[release(10, rule_ids=frozenset({"healing.scar"}))],
    )

    assert [h.rule_id for h in window.holds] == ["healing.infection"]


def test_a_later_finding_of_the_same_kind_holds_again():
    first, second = seen("infection_sign", day=5), seen("infection_sign", day=30)

    window = compute_window(facts(first, second), releases=[release(10)])

    assert window.holds[0].keys == ("infection_sign-30",)


def test_a_finding_recorded_late_is_not_released_by_keys_that_leave_it_out():
    known, late = seen("infection_sign", day=5, key="a"), seen("infection_sign", day=6, key="b")
    version = outcomes_json(compute_window(facts(known)))

    window = compute_window(facts(known, late), releases=[release(10, keys=held_in(version))])

    assert window.holds[0].keys == ("b",)


def test_a_torn_epidermis_in_the_session_can_be_released():
    torn = facts(responses=frozenset({SkinResponse.TORN_EPIDERMIS}))

    window = compute_window(torn, releases=[release(3)])

    assert window.earliest_on == DAY_42


def test_nothing_releases_gold():
    window = compute_window(facts(gold_ever=True), releases=[release(3)])

    assert window.state is WindowState.NEVER


def shortened(window, day, decided=50):
    return shorten(window, earliest_on=on_day(day), decided_on=on_day(decided), **WHO)


def test_a_shortening_is_applied_on_top_and_marked():
    base = facts(seen("hyperpigmentation", day=20))
    before = compute_window(base)

    after = compute_window(base, shortening=shortened(before, 60))

    assert before.days == 84
    assert (after.days, after.by_rules_on) == (60, before.earliest_on)
    assert after.shortening is not None
    assert after.shortening.reason == WHO["reason"]
    assert all(o.rule.id != "healing.hyperpigmentation" for o in after.bound)


def test_a_later_finding_lengthens_a_shortened_window_again():
    hyper = seen("hyperpigmentation", day=20)
    decision = shortened(compute_window(facts(hyper)), 60)

    crust = compute_window(facts(hyper, seen("crust", day=51, resolved=52)), shortening=decision)
    healed = compute_window(
        facts(hyper, seen("swelling", day=51, resolved=52)), shortening=decision
    )

    assert crust.days == 84
    assert crust.shortening is None
    assert healed.days == 80
    assert healed.shortening is not None


def test_a_shortening_lifts_no_hold():
    before = compute_window(facts(seen("scar", day=5)))

    after = compute_window(facts(seen("scar", day=5)), shortening=shortened(before, 30))

    assert after.state is WindowState.HELD
    assert after.not_before == on_day(30)


def test_a_shortening_is_read_back_as_it_was_written():
    decision = shortened(compute_window(facts(seen("hyperpigmentation", day=20))), 60)

    assert shortening_from_json(shortening_json(decision)) == decision


def test_a_shortening_can_be_rebuilt_from_the_stored_version():
    base = facts(seen("hyperpigmentation", day=20))
    window = compute_window(base)
    decision = shortened(window, 60)
    rebuilt = type(decision)(
        earliest_on=decision.earliest_on,
        decided_on=decision.decided_on,
        set_aside=set_aside_in(outcomes_json(window)),
        **WHO,
    )

    assert compute_window(base, shortening=rebuilt).earliest_on == on_day(60)


@pytest.mark.parametrize(
    ("day", "rule"),
    [(0, "shortening-before-treatment"), (42, "shortening-does-not-shorten")],
)
def test_a_shortening_that_cannot_be_is_refused(day, rule):
    with pytest.raises(InvalidInput) as caught:
        shortened(compute_window(facts()), day)

    assert caught.value.rule == rule


def test_gold_cannot_be_shortened():
    with pytest.raises(InvalidInput, match="never"):
        shortened(compute_window(facts(gold_ever=True)), 60)


@pytest.mark.parametrize("missing", ["by", "reason"])
def test_decisions_need_a_name_and_a_reason(missing):
    with pytest.raises(InvalidInput):
        release(5, **{missing: " "})
    with pytest.raises(InvalidInput):
        shorten(
            compute_window(facts()),
            earliest_on=on_day(30),
            decided_on=on_day(20),
            **(WHO | {missing: ""}),
        )


def test_a_decision_dated_in_the_future_is_refused():
    with pytest.raises(InvalidInput) as caught:
        compute_window(facts(today=10), releases=[release(11)])

    assert caught.value.rule == "decision-date"


KINDS = ["crust", "blister", "swelling", "erosion", "hyperpigmentation", "tan", "scar"]


@given(
    first=st.sampled_from(KINDS),
    then=st.sampled_from(KINDS),
    day=st.integers(0, 90),
    lasts=st.none() | st.integers(0, 10),
    allowed=st.integers(1, 41),
)
def test_a_finding_after_a_shortening_never_makes_the_window_earlier(
    first, then, day, lasts, allowed
):
    known = seen(first, day=3, resolved=6)
    decision = shortened(compute_window(facts(known)), allowed)
    extra = seen(then, day=day, resolved=None if lasts is None else day + lasts)

    before = compute_window(facts(known), shortening=decision)
    after = compute_window(facts(known, extra), shortening=decision)

    assert after.not_before >= before.not_before
    assert (after.state is WindowState.HELD) >= (before.state is WindowState.HELD)
    assert after.not_before > TREATED
