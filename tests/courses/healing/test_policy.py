"""A chain may lengthen a rule and never shorten one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.healing import REGISTRY, RULES, Stricter, compute_window, policy_of
from courses.science.errors import InvalidInput
from courses.vocabulary import BodySite, SkinType, WindowState
from tests.support.healing_cases import facts, on_day, seen


def test_a_longer_base_moves_the_date_and_is_shown():
    policy = policy_of({"healing.base": {"days": 70}}, version="house-2")

    window = compute_window(facts(), policy)

    assert window.days == 70
    assert window.policy_version == "house-2"
    assert dict(window.bound[0].parameters) == {"days": 70}


@pytest.mark.parametrize(
    ("values", "rule"),
    [
        ({"healing.base": {"days": 41}}, "policy-shortens"),
        ({"healing.advised": {"days": 56}}, "policy-shortens"),
        ({"healing.several-passes": {"passes": 3}}, "policy-shortens"),
        ({"healing.skin-type": {"from_skin_type": 5}}, "policy-shortens"),
        ({"healing.limb": {"sites": ["hand"]}}, "policy-shortens"),
        ({"healing.large-area": {"over_cm2": 31}}, "policy-shortens"),
        ({"healing.slow-healing": {"after_days": 15}}, "policy-shortens"),
        ({"healing.still-raised": {"review_day": 43}}, "policy-shortens"),
        ({"healing.sun": {"days": 27}}, "policy-shortens"),
        ({"healing.base": {"days": "60"}}, "policy-value"),
        ({"healing.base": {"days": True}}, "policy-value"),
        ({"healing.base": {"days": 60.5}}, "policy-value"),
        ({"healing.base": {"days": float("nan")}}, "policy-value"),
        ({"healing.limb": {"sites": "hand"}}, "policy-value"),
        ({"healing.limb": {"sites": ["hand", "tail"]}}, "policy-value"),
        ({"healing.base": {"weeks": 9}}, "policy-parameter-unknown"),
        ({"healing.basis": {"days": 50}}, "policy-rule-unknown"),
    ],
)
def test_values_that_would_shorten_or_make_no_sense_are_refused(values, rule):
    with pytest.raises(InvalidInput) as caught:
        policy_of(values, version="x")

    assert caught.value.rule == rule
    assert caught.value.field.startswith(next(iter(values)))


def test_a_wider_set_of_sites_is_allowed():
    sites = [*REGISTRY["healing.limb"].parameters[1].default, "neck"]
    policy = policy_of({"healing.limb": {"sites": sites}}, version="x")

    assert compute_window(facts(site=BodySite.NECK), policy).days == 56


@st.composite
def policies(draw):
    overrides = {}
    for rule in RULES:
        values = {}
        for parameter in rule.parameters:
            if parameter.stricter is Stricter.WIDER:
                values[parameter.name] = parameter.default | draw(
                    st.sets(st.sampled_from(sorted(parameter.known)))
                )
            elif draw(st.booleans()):
                low, high = sorted((parameter.default, parameter.limit))
                values[parameter.name] = draw(st.integers(int(low), int(min(high, 200))))
        overrides[rule.id] = values
    return policy_of(overrides, version="drawn")


@given(
    policy=policies(),
    kind=st.sampled_from(["crust", "raised", "tan", "swelling", "hyperpigmentation"]),
    day=st.integers(0, 60),
    resolved=st.none() | st.integers(60, 90),
    skin_type=st.sampled_from(SkinType),
    site=st.sampled_from(BodySite),
    area=st.floats(1, 100),
    passes=st.integers(1, 3),
)
def test_no_chain_policy_gives_an_earlier_date_than_the_defaults(
    *, policy, kind, day, resolved, skin_type, site, area, passes
):
    base = facts(
        seen(kind, day=day, resolved=resolved),
        skin_type=skin_type,
        site=site,
        area_cm2=area,
        passes=passes,
    )

    default, own = compute_window(base), compute_window(base, policy)

    assert own.not_before >= default.not_before
    assert (own.state is WindowState.HELD) >= (default.state is WindowState.HELD)
    if own.advised_on and default.advised_on:
        assert own.advised_on >= default.advised_on


def test_rule_ids_are_unique_and_versioned():
    assert len(REGISTRY) == len(RULES)
    assert all(rule.version and rule.kind for rule in RULES)


def test_parameters_read_as_the_wrong_kind_fail_loudly():
    parameters = REGISTRY["healing.limb"].parameters_in(policy_of({}, version="x"))

    with pytest.raises(TypeError):
        parameters.whole("sites")
    with pytest.raises(TypeError):
        parameters.codes("days")
    assert on_day(0)
