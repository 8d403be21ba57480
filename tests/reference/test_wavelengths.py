"""Ink and wavelength against published findings. Rows WL-* of the clinical reference.

Beside each check: published (read), secondary account, common practice, or from memory.
"""

import pytest

from courses.science.ink_cautions import DARKENING, DARKEST, RED_532
from courses.science.ink_table import INK_TABLE, Grade, grade_of, nominal_nm
from courses.science.line_ranking import Line, rank_lines
from courses.science.pulses import PulseClass, check_pulse, pulse_class
from courses.science.wavelengths import InkPart, colour_needs, required_wavelengths
from courses.vocabulary import InkColour, SkinType


def need(colour, skin_type, **more):
    return colour_needs([InkPart(colour=colour, **more)], skin_type)[0]


def choice(colour, skin_type, nm):
    return next(c for c in need(colour, skin_type).choices if c.wavelength_nm == nm)


def test_wl_01_black_on_the_darkest_skin_is_1064():
    """Published: Kilmer 1993; Grevelink 1996 (longer wavelength for darker skin)."""
    assert need(InkColour.BLACK, SkinType.VI).choices[0].wavelength_nm == 1064
    (required,) = required_wavelengths([InkPart(InkColour.BLACK)], SkinType.VI)
    assert required.wavelengths_nm == (1064,)


def test_wl_02_red_is_532():
    """Secondary account of Choi 2018, PLoS One e0203370."""
    assert need(InkColour.RED, SkinType.II).choices[0].wavelength_nm == 532
    (required,) = required_wavelengths([InkPart(InkColour.RED)], SkinType.II)
    assert required.wavelengths_nm == (532,)


def test_wl_03_green_is_755_or_694():
    """From memory (Brauer 2012 for 755 nm picosecond)."""
    first, second = need(InkColour.GREEN, SkinType.II).choices[:2]
    assert (first.wavelength_nm, second.wavelength_nm) == (755, 694)


@pytest.mark.parametrize("colour", [InkColour.WHITE, InkColour.FLESH])
def test_wl_04_white_and_flesh_have_no_wavelength_and_may_darken(colour):
    """Published: reports of darkening (Varma 2002 among them)."""
    asked = need(colour, SkinType.II)

    assert not asked.treatable
    assert asked.test_spot
    assert DARKENING in asked.cautions
    (required,) = required_wavelengths([InkPart(colour)], SkinType.II)
    assert required.wavelengths_nm == ()


def test_wl_05_green_on_the_darkest_skin_asks_for_test_spot_and_physician():
    """From memory; test treatment for darker skin: Grevelink 1996 (published, n = 5)."""
    at_755 = choice(InkColour.GREEN, SkinType.VI, 755)

    assert DARKEST in at_755.cautions
    assert (at_755.test_spot, at_755.clinician) == (True, True)
    assert need(InkColour.GREEN, SkinType.VI).test_spot


def test_wl_06_brown_eyebrow_may_darken():
    """Published: immediate grey in 18 of 98 eyebrow patients (18.4 %)."""
    assert DARKENING in need(InkColour.BROWN, SkinType.II).cautions
    assert DARKENING in need(InkColour.BLACK, SkinType.II, cosmetic=True).cautions
    assert "18 of 98" in DARKENING.basis.source
    assert pytest.approx(0.184, abs=0.0005) == 18 / 98


@pytest.mark.parametrize(
    ("colour", "clearance"),
    [
        ("purple", 0.85),
        ("blue", 0.81),
        ("green", 0.74),
        ("black", 0.61),
        ("red", 0.11),
        ("yellow", 0.05),
    ],
)
def test_785_nm_after_four_sessions(colour, clearance):
    """Published: Bernstein 2018, Lasers Surg Med 50:704 (FAD-03)."""
    entry = INK_TABLE[InkColour(colour)][785]

    assert entry.clearance == clearance
    expected = Grade.WORKS if clearance > 0.5 else Grade.POOR
    assert entry.grade_for(picosecond=True) is expected


def test_bright_colours_respond_little_to_1064():
    """Published: Kilmer 1993, Arch Dermatol 129:971."""
    for colour in (InkColour.RED, InkColour.ORANGE, InkColour.YELLOW):
        assert grade_of(colour, wavelength_nm=1064, picosecond=False) is Grade.POOR


def test_ruby_for_dark_ink_on_light_skin():
    """Published: Leuenberger 1999: 694 nm cleared blue-black best, and cost most pigment."""
    assert need(InkColour.BLUE_BLACK, SkinType.II).choices[0].wavelength_nm == 694
    (required,) = required_wavelengths([InkPart(InkColour.BLUE_BLACK)], SkinType.IV)
    assert 694 not in required.wavelengths_nm


@pytest.mark.parametrize("skin_type", [SkinType.IV, SkinType.V, SkinType.VI])
@pytest.mark.parametrize("colour", list(InkColour))
def test_1064_first_for_darker_skin_wherever_the_ink_answers_it(colour, skin_type):
    """Published advice (Grevelink 1996); type IV: from memory."""
    answers = grade_of(colour, wavelength_nm=1064, picosecond=False) is not Grade.POOR

    first = need(colour, skin_type).choices[0].wavelength_nm

    assert (first == 1064) == answers or not need(colour, skin_type).treatable


def test_red_under_532_asks_for_a_faint_haze():
    """Common practice."""
    assert RED_532 in choice(InkColour.RED, SkinType.I, 532).cautions
    assert "faint haze" in RED_532.text


@pytest.mark.parametrize("colour", [InkColour.GREEN, InkColour.DARK_BLUE])
def test_green_and_dark_blue_under_694_blister_at_the_lowest_setting(colour):
    """Common practice."""
    texts = [c.text for c in choice(colour, SkinType.I, 694).cautions]
    assert any("even at the lowest setting" in text for text in texts)


@pytest.mark.parametrize(
    ("pulse_s", "kind", "allowed"),
    [
        (450e-12, PulseClass.PICOSECOND, True),
        (750e-12, PulseClass.PICOSECOND, True),
        (6e-9, PulseClass.NANOSECOND, True),
        (100e-9, PulseClass.NANOSECOND, True),
        (180e-9, PulseClass.NANOSECOND, True),  # Proc SPIE 2624 (1996): 755 nm, 180 ns
        (1e-4, PulseClass.MICROSECOND, False),
        (1e-3, PulseClass.MILLISECOND, False),
        (1e-2, PulseClass.MILLISECOND, False),
    ],
)
def test_pulse_classes(pulse_s, kind, allowed):
    """Common practice: nano- and picosecond pulses only."""
    verdict = check_pulse(pulse_s)

    assert pulse_class(pulse_s) is kind
    assert verdict.allowed is allowed


def test_a_millisecond_pulse_is_refused_with_its_numbers():
    """Rows R-1um and DL7: d^2/(16 k) = 480.8 ns, sqrt(4 k t) = 72.11 um (k from memory)."""
    verdict = check_pulse(10e-3)

    assert verdict.clump_relaxation_s == pytest.approx(480.8e-9, rel=1e-3)
    assert verdict.heat_runs_m == pytest.approx(72.11e-6, rel=1e-3)
    assert verdict.times_clump == pytest.approx(10e-3 / 480.8e-9, rel=1e-3)
    for number in ("10 ms", "481 ns", "2.08e+04", "72.1 µm"):
        assert number in verdict.text

    (line,) = rank_lines([InkPart(InkColour.BLACK)], SkinType.I, [Line("long", 1064, 3e-3, 10e-3)])
    assert line.refused
    assert line.serves == ()


# Columns 532, 694, 755, 785 (picosecond), 1064 nm; ++ first choice, + works, ~ partial, - poor.
# Support of each cell as in the table itself: Kilmer, Leuenberger, Bernstein 2018 and Baleisis
# read; Choi by a secondary account; turquoise, brown, most of blue, green and purple from memory.
GRID = {
    "black": ("~", "++", "+", "+", "++"),
    "blue_black": ("-", "++", "+", "-", "+"),
    "dark_blue": ("-", "++", "+", "-", "+"),
    "blue": ("~", "+", "++", "+", "~"),
    "green": ("-", "+", "++", "+", "~"),
    "turquoise": ("-", "+", "++", "+", "-"),
    "purple": ("~", "+", "+", "+", "~"),
    "red": ("++", "-", "-", "-", "-"),
    "orange": ("++", "-", "-", "-", "-"),
    "yellow": ("~", "-", "-", "-", "-"),
    "brown": ("+", "~", "~", "-", "+"),
    "white": ("-", "-", "-", "-", "-"),
    "flesh": ("-", "-", "-", "-", "-"),
    "pink": ("-", "-", "-", "-", "-"),
    "fluorescent": ("-", "-", "-", "-", "-"),
}
SIGNS = {"++": Grade.FIRST, "+": Grade.WORKS, "~": Grade.PARTIAL, "-": Grade.POOR}


@pytest.mark.parametrize("colour", GRID)
def test_every_cell_of_the_table(colour):
    cells = zip((532, 694, 755, 785, 1064), GRID[colour], strict=True)

    for nm, sign in cells:
        found = grade_of(InkColour(colour), wavelength_nm=nm, picosecond=nm == 785)
        assert found is SIGNS[sign], nm


@pytest.mark.parametrize(
    ("nm", "code"),
    [(532, "darker-skin-532"), (694, "darker-skin-694"), (755, "darker-skin-755"), (1064, None)],
)
def test_type_iv_is_cautioned_by_wavelength(nm, code):
    """From memory (532 only small or tested, avoid 694); 755: Grevelink 1996 (published)."""
    codes = [c.code for c in choice(InkColour.BLACK, SkinType.IV, nm).cautions]

    assert codes == ([code] if code else [])


@pytest.mark.parametrize(
    ("nm", "nominal"),
    [
        (694.3, 694),
        (1064, 1064),
        (532, 532),
        (755, 755),
        (785, 785),
        (795, None),
        (595, None),
        (700, None),
        (759.9, 755),
        (760.1, None),
    ],
)
def test_lines_of_the_table(nm, nominal):
    """694.3 nm is the ruby line; 795 and 595 nm have no row in the sources."""
    assert nominal_nm(nm) == nominal
