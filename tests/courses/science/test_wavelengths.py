"""Needs of colours, the fewest wavelengths, and the ranking of a chain's own lines."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from courses.science.errors import InvalidInput
from courses.science.ink_table import INK_TABLE, NOMINAL_NM, Grade, grade_of
from courses.science.line_ranking import Line, rank_lines, uncovered
from courses.science.pulses import seconds_text
from courses.science.wavelengths import (
    InkPart,
    colour_needs,
    effective_skin_type,
    fewest_wavelengths,
    required_wavelengths,
)
from courses.vocabulary import InkColour, SkinType

NS = (5e-9, 2e-8)
PS = (4.5e-10, 7.5e-10)
ND_1064 = Line("a-1064", 1064, *NS)
ND_532 = Line("a-532", 532, *NS)
ALEX = Line("b-755", 755, *PS)
RUBY = Line("c-694", 694.3, 2e-8, 4e-8)
LONG = Line("d-755", 755, 3e-3, 2e-2)


def parts(*colours, **more):
    return [InkPart(colour=colour, share=1 / len(colours), **more) for colour in colours]


def test_the_table_has_every_colour_and_wavelength():
    assert set(INK_TABLE) == set(InkColour)
    assert all(set(row) == set(NOMINAL_NM) for row in INK_TABLE.values())
    assert all(entry.source for row in INK_TABLE.values() for entry in row.values())


def test_parts_of_one_colour_are_one_need_and_gone_ones_drop_out():
    needs = colour_needs(
        [
            InkPart(InkColour.BLACK, 0.3, key="outline"),
            InkPart(InkColour.RED, 0.2, key="fill"),
            InkPart(InkColour.BLACK, 0.1, key="shading"),
            InkPart(InkColour.GREEN, 0.4, visible=False, key="leaf"),
        ],
        SkinType.II,
    )

    assert [(n.colour, n.keys) for n in needs] == [
        (InkColour.BLACK, ("outline", "shading")),
        (InkColour.RED, ("fill",)),
    ]
    assert needs[0].share == pytest.approx(0.4)


def test_all_parts_gone_need_nothing():
    gone = parts(InkColour.BLACK, visible=False)

    assert colour_needs(gone, SkinType.II) == ()
    assert fewest_wavelengths(required_wavelengths(gone, SkinType.II)) == ()


def test_a_tan_counts_as_one_type_more():
    assert effective_skin_type(SkinType.III, tanned=True) is SkinType.IV
    assert effective_skin_type(SkinType.VI, tanned=True) is SkinType.VI
    (need,) = required_wavelengths(parts(InkColour.BLUE), SkinType.III, tanned=True)
    assert need.wavelengths_nm[0] == 1064


@pytest.mark.parametrize(
    ("colours", "skin_type", "expected"),
    [
        ((InkColour.BLACK,), SkinType.II, (1064,)),
        ((InkColour.BLACK, InkColour.RED), SkinType.VI, (532, 1064)),
        ((InkColour.BLACK, InkColour.GREEN), SkinType.II, (694,)),
        ((InkColour.WHITE,), SkinType.II, ()),
        ((InkColour.BLACK, InkColour.WHITE), SkinType.V, (1064,)),
    ],
)
def test_fewest_wavelengths(colours, skin_type, expected):
    assert fewest_wavelengths(required_wavelengths(parts(*colours), skin_type)) == expected


def test_lines_rank_by_what_they_serve_and_long_pulses_come_last_refused():
    ranked = rank_lines(parts(InkColour.GREEN), SkinType.II, [LONG, ND_532, ND_1064, RUBY, ALEX])

    assert [r.line.key for r in ranked] == ["b-755", "c-694", "a-1064", "a-532", "d-755"]
    assert [r.rank for r in ranked] == [1, 2, 3, 4, 5]
    assert ranked[-1].refused
    assert "ms against" in ranked[-1].reasons[0]
    assert any("lowest setting" in reason for reason in ranked[1].reasons)


def test_darker_skin_puts_1064_first_and_marks_the_rest():
    ranked = rank_lines(parts(InkColour.BLACK, InkColour.GREEN), SkinType.VI, [ALEX, RUBY, ND_1064])

    assert ranked[0].line is ND_1064
    assert not ranked[0].test_spot
    assert all(r.test_spot and r.clinician for r in ranked[1:])


def test_1064_is_not_first_where_it_does_nothing():
    ranked = rank_lines(parts(InkColour.RED), SkinType.VI, [ND_1064, ND_532])

    assert ranked[0].line is ND_532
    assert ranked[1].serves == ()


def test_what_no_line_serves_is_named():
    ranked = rank_lines(
        parts(InkColour.BLACK, InkColour.RED, InkColour.WHITE), SkinType.II, [ND_1064, LONG]
    )

    assert uncovered(
        parts(InkColour.BLACK, InkColour.RED, InkColour.WHITE), SkinType.II, ranked
    ) == (InkColour.RED, InkColour.WHITE)


def test_the_score_is_the_mean_of_grade_points_weighted_by_share():
    mixed = [InkPart(InkColour.BLACK, 0.75), InkPart(InkColour.BLUE, 0.25)]

    at_1064, at_755 = (rank_lines(mixed, SkinType.I, [x])[0].score for x in (ND_1064, ALEX))

    assert at_1064 == pytest.approx(0.75 * 3 + 0.25 * 1)
    assert at_755 == pytest.approx(0.75 * 2 + 0.25 * 3)


def test_a_line_without_figures_serves_nothing_and_says_so():
    (ranked,) = rank_lines(parts(InkColour.RED), SkinType.I, [Line("x", 595, *NS)])

    assert ranked.serves == ()
    assert "no figures for 595 nm" in " ".join(ranked.reasons)


def test_785_has_figures_for_picosecond_pulses_only():
    assert grade_of(InkColour.GREEN, wavelength_nm=785, picosecond=True) is Grade.WORKS
    assert grade_of(InkColour.GREEN, wavelength_nm=785, picosecond=False) is Grade.UNKNOWN


def test_yellow_answers_picosecond_532_better():
    nano, pico = (
        rank_lines(parts(InkColour.YELLOW), SkinType.I, [Line("x", 532, *pulse)])[0]
        for pulse in (NS, PS)
    )

    assert pico.score > nano.score


def test_a_line_with_long_pulses_too_is_used_with_its_short_ones():
    (ranked,) = rank_lines(parts(InkColour.BLACK), SkinType.I, [Line("x", 1064, 5e-9, 1e-3)])

    assert not ranked.refused
    assert any("its long ones are refused" in reason for reason in ranked.reasons)


@pytest.mark.parametrize(
    ("build", "field", "rule"),
    [
        (lambda: InkPart("mauve"), "parts.colour", "colour-unknown"),
        (lambda: InkPart(InkColour.RED, share=0), "parts.share", "share-range"),
        (lambda: InkPart(InkColour.RED, share=1.1), "parts.share", "share-range"),
        (lambda: Line("x", 0, *NS), "lines.wavelength_nm", "wavelength-range"),
        (lambda: Line("x", 1064, 0, 1), "lines.pulse_min_s", "pulse-range"),
        (lambda: Line("x", 1064, 2, 1), "lines.pulse_min_s", "pulse-range"),
        (lambda: colour_needs([], SkinType.I), "parts", "parts-missing"),
        (lambda: colour_needs(parts(InkColour.RED), 7), "skin_type", "skin-type-unknown"),
    ],
)
def test_bad_input_names_field_and_rule(build, field, rule):
    with pytest.raises(InvalidInput) as caught:
        build()

    assert (caught.value.field, caught.value.rule) == (field, rule)


@given(
    colours=st.lists(st.sampled_from(InkColour), min_size=1, max_size=4, unique=True),
    skin_type=st.sampled_from(SkinType),
)
def test_the_fewest_wavelengths_serve_every_colour_that_any_can(colours, skin_type):
    needs = required_wavelengths(parts(*colours), skin_type)
    chosen = set(fewest_wavelengths(needs))

    assert all(chosen & set(n.wavelengths_nm) for n in needs if n.wavelengths_nm)


@given(
    colours=st.lists(st.sampled_from(InkColour), min_size=1, max_size=4, unique=True),
    skin_type=st.sampled_from(SkinType),
    lines=st.permutations([ND_1064, ND_532, ALEX, RUBY, LONG]),
)
def test_ranking_does_not_depend_on_the_order_given(colours, skin_type, lines):
    ranked = rank_lines(parts(*colours), skin_type, lines)
    again = rank_lines(parts(*colours), skin_type, sorted(lines, key=lambda x: x.key))

    assert [r.line.key for r in ranked] == [r.line.key for r in again]
    assert ranked[-1].line is LONG


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(4.5e-10, "450 ps"), (6e-9, "6 ns"), (1e-2, "10 ms"), (2, "2 s"), (5e-6, "5 µs")],
)
def test_durations_read_as_people_say_them(seconds, text):
    assert seconds_text(seconds) == text
