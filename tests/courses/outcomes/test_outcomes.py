"""Clearance over time and reaction rates of a chain."""

from datetime import date, timedelta

import pytest

from courses.outcomes.clearance import clearance_over_time
from courses.outcomes.reactions import Axis, Comparison, TreatedPart, reaction_rates
from courses.science.errors import InvalidInput
from courses.science.fading.inputs import Grade
from courses.vocabulary import InkColour, ObservationKind, SkinType

FIRST = date(2025, 3, 3)
TREATED = [FIRST + n * timedelta(days=56) for n in range(4)]


def treated(patient, *reactions, nm=1064, skin=SkinType.III, colour=InkColour.BLACK):
    return TreatedPart(patient, nm, skin, colour, frozenset(reactions))


def test_clearance_is_shown_by_part_with_the_sessions_before_each_grade():
    grades = [
        Grade("red", TREATED[1] + timedelta(days=42), 0.25, 0.5),
        Grade("black", TREATED[0] + timedelta(days=42), 0.5, 0.75),
        Grade("black", TREATED[2] + timedelta(days=42), 0.75, 0.95),
        Grade("black", TREATED[3] + timedelta(days=42), 0.95, 1.0),
    ]

    black, red = clearance_over_time(grades, treated_on=TREATED)

    assert [(p.sessions, p.low, p.high) for p in black.points] == [
        (1, 0.5, 0.75),
        (3, 0.75, 0.95),
        (4, 0.95, 1.0),
    ]
    assert (black.sessions_to_success, black.sessions_to_clear) == (3, 4)
    assert (red.sessions_to_success, red.sessions_to_clear) == (None, None)


def test_a_patient_counts_once_in_a_cell():
    rates = reaction_rates(
        [
            treated("a", ObservationKind.BLISTER),
            treated("a"),
            treated("a", ObservationKind.BLISTER),
            treated("b"),
        ],
        reactions=[ObservationKind.BLISTER],
    )

    assert len(rates) == 1
    assert (rates[0].share.events, rates[0].share.cases, rates[0].treatments) == (1, 2, 4)


def test_cells_are_told_apart_by_the_axes_asked_for():
    parts = [
        treated("a", ObservationKind.BLISTER, nm=532, colour=InkColour.RED),
        treated("b", nm=1064),
        treated("c", nm=1064, skin=SkinType.V),
    ]

    full = reaction_rates(parts, reactions=[ObservationKind.BLISTER])
    by_line = reaction_rates(parts, axes=[Axis.WAVELENGTH], reactions=[ObservationKind.BLISTER])

    assert len({rate.cell for rate in full}) == 3
    assert [(r.cell.wavelength_nm, r.cell.skin_type, r.share.cases) for r in by_line] == [
        (532, None, 1),
        (1064, None, 2),
    ]


def test_rates_stand_beside_published_bands_and_say_when_they_are_apart():
    many = [
        treated(f"p{n}", *([ObservationKind.HYPERPIGMENTATION] if n < 30 else []), nm=1064)
        for n in range(60)
    ]

    rate = reaction_rates(many, reactions=[ObservationKind.HYPERPIGMENTATION])[0]

    assert [item.comparison for item in rate.published] == [Comparison.ABOVE]
    assert rate.published[0].band.source
    assert "clinician" in rate.caution


def test_few_patients_are_never_apart_from_a_band():
    rate = reaction_rates([treated("a")], reactions=[ObservationKind.HYPERPIGMENTATION])[0]

    assert rate.published[0].comparison is Comparison.NOT_APART
    assert rate.share.high > 0.9


def test_none_of_many_lies_below():
    quiet = [treated(f"p{n}", nm=755, skin=SkinType.V) for n in range(60)]

    rates = reaction_rates(quiet, reactions=[ObservationKind.PIGMENT_LOSS])

    verdicts = {item.band.id: item.comparison for item in rates[0].published}
    assert verdicts["reaction.pigment-loss-755-type-v"] is Comparison.BELOW


def test_a_band_of_a_skin_type_is_not_used_where_skin_is_not_told_apart():
    rates = reaction_rates(
        [treated("a", nm=755, skin=SkinType.V)],
        axes=[Axis.WAVELENGTH],
        reactions=[ObservationKind.PIGMENT_LOSS],
    )

    assert {item.band.id for item in rates[0].published} == {"reaction.pigment-loss-755"}


def test_what_was_neither_seen_nor_published_is_left_out():
    kinds = {rate.reaction for rate in reaction_rates([treated("a", ObservationKind.CRUST)])}

    assert ObservationKind.CRUST in kinds
    assert ObservationKind.EROSION not in kinds


def test_refuses_a_level_that_is_none():
    with pytest.raises(InvalidInput):
        reaction_rates([treated("a", ObservationKind.BLISTER)], level=1.0)
