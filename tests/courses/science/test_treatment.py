"""Length of a session, what it keeps busy, and how plausible a setting is."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.science.errors import InvalidInput
from courses.science.plausibility import LineLimits, Setting, Severity, check_setting
from courses.science.treatment import Beam, SegmentKind, TreatmentPlan, treatment_length
from courses.slots import Segment, Timeline
from courses.vocabulary import TreatmentRole

LINE = LineLimits(
    wavelength_nm=1064,
    pulse_min_s=5e-9,
    pulse_max_s=20e-9,
    max_energy_j=1.0,
    max_rate_hz=10,
    spots_mm=(2, 3, 4, 6),
)
FINE = {"fluence_j_cm2": 8, "spot_mm": 3, "rate_hz": 10, "pulse_s": 10e-9}


def length(**changes):
    return treatment_length(TreatmentPlan(**({"beams": (Beam(25, 4, 10),)} | changes)))


def test_one_pass_has_no_wait():
    result = length()

    assert (result.pulses_per_pass, result.pulses) == (223, 223)
    assert [s.kind for s in result.segments] == ["preparation", "pass", "aftercare"]
    assert result.firing_s_per_pass == pytest.approx(22.3)
    assert result.total_minutes == 10 + 1 + 10


def test_four_passes_free_laser_and_operator_in_between():
    result = length(passes=4, preparation_min=0, aftercare_min=0)

    assert result.pulses == 4 * 223
    assert result.total_minutes == 4 * 1 + 3 * 20
    spans = ((0, 1), (21, 22), (42, 43), (63, 64))
    for role in (TreatmentRole.LASER, TreatmentRole.OPERATOR, TreatmentRole.HANDPIECE):
        assert result.busy_minutes(role) == spans
    for role in (TreatmentRole.ROOM, TreatmentRole.PATIENT):
        assert result.busy_minutes(role) == ((0, 64),)


def test_waits_of_seconds_keep_everything_in_use():
    result = length(passes=4, clearing_agent=True, preparation_min=5, aftercare_min=5)

    assert result.wait_s == 5
    assert [s.label for s in result.booking] == ["preparation", "passes 1 to 4", "aftercare"]
    assert result.booking[1].minutes == 2  # 4 x 22.3 s + 3 x 5 s
    assert result.busy_minutes(TreatmentRole.LASER) == ((5, 7),)


@pytest.mark.parametrize(("wait_s", "free"), [(299, False), (300, True)])
def test_a_wait_of_five_minutes_sets_the_laser_free(wait_s, free):
    result = length(passes=2, wait_s=wait_s)

    assert (len(result.busy_minutes(TreatmentRole.LASER)) == 2) is free


def test_the_longest_session_and_wait_are_possible():
    assert length(passes=2, wait_s=3600).wait_s == 3600
    twelve_hours = length(preparation_min=240, aftercare_min=240, passes=5, wait_s=3500)
    assert twelve_hours.total_s < 12 * 3600
    with pytest.raises(InvalidInput):
        length(preparation_min=240, aftercare_min=240, passes=5, wait_s=3600)


def test_several_colours_are_several_beams_in_one_pass():
    result = length(beams=(Beam(20, 4, 10, key="1064"), Beam(5, 3, 5, key="532")), passes=2)

    assert [(b.key, b.pulses) for b in result.beams] == [("1064", 179), ("532", 80)]
    assert result.firing_s_per_pass == pytest.approx(17.9 + 16)
    assert result.pulses == 2 * (179 + 80)


def test_pauses_while_firing_lengthen_a_pass():
    whole, half = (
        length(beams=(Beam(100, 3, 2),)),
        length(beams=(Beam(100, 3, 2),), firing_share=0.5),
    )

    assert half.segments[1].minutes == pytest.approx(2 * whole.segments[1].minutes)


def test_a_short_wait_without_an_agent_is_warned_of():
    assert "shields the ink" in length(passes=2, wait_s=120).warnings[0]
    assert "longer than usual" in length(passes=2, wait_s=3000).warnings[0]
    assert length(passes=2).warnings == ()
    assert length(passes=2, clearing_agent=True).warnings == ()


def test_the_booking_is_what_the_slot_search_takes():
    result = length(passes=3)
    timeline = Timeline(tuple(Segment(s.minutes, s.roles, s.label) for s in result.booking))

    assert timeline.minutes == result.total_minutes
    for role in TreatmentRole:
        assert timeline.role_minutes(role) == result.busy_minutes(role)


@pytest.mark.parametrize(
    ("changes", "field", "rule"),
    [
        ({"beams": ()}, "beams", "beams-missing"),
        ({"beams": (Beam(0, 4, 10),)}, "beams.0.area_cm2", "positive"),
        ({"beams": (Beam(25, -4, 10),)}, "beams.0.spot_mm", "positive"),
        ({"beams": (Beam(25, 4, float("nan")),)}, "beams.0.rate_hz", "positive"),
        ({"beams": (Beam(25, 4, 10, overlap=1),)}, "beams.0.overlap", "overlap-range"),
        ({"beams": (Beam(9, 4, 10), Beam(30_000, 4, 10))}, "beams.1.area_cm2", "positive"),
        ({"passes": 0}, "passes", "passes-range"),
        ({"passes": 11}, "passes", "passes-range"),
        ({"wait_s": -1}, "wait_s", "wait-range"),
        ({"firing_share": 0}, "firing_share", "firing-share-range"),
        ({"preparation_min": 241}, "preparation_min", "minutes-range"),
        ({"beams": (Beam(20_000, 1, 1),)}, "plan", "session-too-long"),
    ],
)
def test_bad_plans_name_field_and_rule(changes, field, rule):
    with pytest.raises(InvalidInput) as caught:
        length(**changes)

    assert (caught.value.field, caught.value.rule) == (field, rule)


@given(
    area=st.floats(0.1, 240),
    spot=st.floats(2, 10),
    rate=st.floats(1, 10),
    passes=st.integers(1, 4),
    agent=st.booleans(),
)
def test_segments_follow_one_another_and_the_booking_covers_them(area, spot, rate, passes, agent):
    result = length(beams=(Beam(area, spot, rate),), passes=passes, clearing_agent=agent)

    edges = [(s.start_s, s.end_s) for s in result.segments]
    assert edges[0][0] == 0
    assert all(a[1] == b[0] for a, b in pairwise(edges))
    assert result.total_minutes * 60 >= result.total_s - 1e-6
    assert result.total_minutes <= result.total_s / 60 + len(result.booking)
    assert sum(s.kind is SegmentKind.PASS for s in result.segments) == passes


@given(area=st.floats(1, 300), more=st.floats(0.1, 100))
def test_a_larger_area_never_takes_less(area, more):
    small, large = length(beams=(Beam(area, 4, 5),)), length(beams=(Beam(area + more, 4, 5),))

    assert large.pulses >= small.pulses
    assert large.total_s >= small.total_s


def codes(**changes):
    return [f.code for f in check_setting(Setting(**(FINE | changes)), LINE).findings]


def test_a_usual_setting_has_no_findings_and_shows_its_energy():
    check = check_setting(Setting(**FINE), LINE)

    assert check.findings == ()
    assert check.energy_j == pytest.approx(0.565, abs=0.0005)
    assert check.within_line


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"spot_mm": 4, "fluence_j_cm2": 8.0}, "energy-beyond-line"),
        ({"rate_hz": 10.1}, "rate-beyond-line"),
        ({"pulse_s": 21e-9}, "pulse-beyond-line"),
        ({"pulse_s": 1e-2}, "pulse-not-for-ink"),
        ({"spot_mm": 3.5, "fluence_j_cm2": 6}, "spot-not-on-line"),
        ({"fluence_j_cm2": 0.5}, "fluence-outside-published"),
    ],
)
def test_each_limit_is_named(changes, code):
    assert code in codes(**changes)


def test_beyond_the_line_and_unusual_are_told_apart():
    beyond = check_setting(Setting(**(FINE | {"rate_hz": 12})), LINE)
    unusual = check_setting(Setting(**(FINE | {"fluence_j_cm2": 0.5})), LINE)
    refused = check_setting(Setting(**(FINE | {"pulse_s": 5e-3})), LINE)

    assert not beyond.within_line
    assert unusual.within_line
    assert not refused.within_line
    assert refused.findings[0].severity is Severity.REFUSED
    assert "d²/16κ" in refused.findings[0].text


def test_the_largest_energy_itself_is_possible():
    at_limit = 1.0 / 0.07068583470577035

    assert "energy-beyond-line" not in codes(fluence_j_cm2=at_limit)


def test_no_finding_says_what_to_set_instead():
    texts = " ".join(
        f.text for f in check_setting(Setting(40, 9.5, 30, 1e-2), LINE).findings
    ).lower()

    assert not any(word in texts for word in ("reduce", "increase", "set to", "should", "use "))


@pytest.mark.parametrize("field", ["fluence_j_cm2", "spot_mm", "rate_hz", "pulse_s"])
@pytest.mark.parametrize("value", [0, -1, float("inf"), float("nan")])
def test_settings_that_cannot_be_are_refused(field, value):
    with pytest.raises(InvalidInput) as caught:
        check_setting(Setting(**(FINE | {field: value})), LINE)

    assert caught.value.field == field
