"""Every row of the laser reference has its check, and this is where each one stands.

Rows are those of the collected facts: CF factors, MP trains, E eye, S skin, W worked examples, TB
treatment beams, ND distances, F fluence, PK power, K coverage, R heat, DL diffusion, LG logs.
"""

import importlib

import pytest

SAFETY = "tests.reference.test_laser_safety"
BEAMS = "tests.reference.test_laser_safety_beams"
METROLOGY = "tests.reference.test_metrology"
DUTIES = "tests.reference.test_safety_duties"
DURATIONS = (
    *("100ps", "450ps", "750ps", "1ns", "6ns", "10ns", "30ns", "50ns", "100ns"),
    *("1ms", "10ms", "0.25s"),
)

CHECKS = {
    (SAFETY, "test_cf_1_to_5_by_wavelength"): "CF1 CF2 CF3 CF4 CF5",
    (SAFETY, "test_cf_6_and_7_extended_sources_of_the_directive"): "CF6 CF7",
    (SAFETY, "test_cf_8_and_9_extended_sources_of_2014"): "CF8 CF9",
    (SAFETY, "test_mp_1_train_factor_of_the_directive"): "MP1",
    (SAFETY, "test_mp_2_to_6_short_pulses_of_2014"): "MP2 MP3 MP5 MP6",
    (SAFETY, "test_mp_7_and_8_long_pulses_of_2014"): "MP7 MP8",
    (SAFETY, "test_mp_9_pulses_that_count_as_one"): "MP9",
    (SAFETY, "test_e_rows_limit_of_the_eye"): " ".join(f"E-{one}" for one in DURATIONS),
    (SAFETY, "test_s_rows_limit_of_the_skin"): " ".join(f"S-{one}" for one in DURATIONS),
    (SAFETY, "test_w2a_density_of_a_medical_laser"): "W2a",
    (SAFETY, "test_w3_level_of_a_continuous_beam"): "W3",
    (SAFETY, "test_w4_hazard_distance_of_one_watt"): "W4",
    (SAFETY, "test_w5a_level_of_a_mode_locked_laser"): "W5a",
    (SAFETY, "test_w6_a_pointer_over_the_limit"): "W6",
    (SAFETY, "test_w7_the_three_rules_of_a_scanned_beam"): "W7",
    (SAFETY, "test_w8_a_narrow_infrared_beam_counts_over_7_mm"): "W8",
    (SAFETY, "test_w12_a_pointer_as_a_library_prints_it"): "W12a W12b",
    (SAFETY, "test_w13_millisecond_ruby_and_infrared"): "W13a W13b",
    (METROLOGY, "test_w10_one_pulse_energy_at_three_spots"): "W10",
    (METROLOGY, "test_w11_irradiance_and_fluence"): "W11",
    (BEAMS, "test_tb_rows_density_and_level"): "TB1 TB2",
    (BEAMS, "test_nd_1_and_2_hazard_distance"): "ND1 ND2",
    (BEAMS, "test_nd_5_to_7_lens_and_reflection"): "ND5 ND6 ND7",
    (METROLOGY, "test_f_rows"): "F1 F2 F2.5 F3 F3.5 F4 F5 F6 F7 F8 F10",
    (METROLOGY, "test_pk_1_to_6_peak_power"): "PK1 PK2 PK3 PK4 PK5 PK6",
    (METROLOGY, "test_pk_7_and_8_irradiance_of_two_published_studies"): "PK7 PK8",
    (METROLOGY, "test_pk_11_gaussian_axis_is_twice_the_top_hat"): "PK11",
    (METROLOGY, "test_pk_12_photon_energy"): "PK12",
    (METROLOGY, "test_k_1_to_5_coverage"): "K1 K2 K3 K4 K5",
    (METROLOGY, "test_k_9_to_13_packing_and_covering"): "K9 K10 K11 K12 K13",
    (METROLOGY, "test_k_14_overlap_of_two_discs"): "K14",
    (METROLOGY, "test_r_rows_thermal_and_acoustic_times"): (
        "R-40nm R-100nm R-200nm R-1um R-50um R-100um R-300um"
    ),
    (METROLOGY, "test_dl_rows_diffusion_length"): "DL1 DL3 DL4 DL5 DL6 DL7",
    (METROLOGY, "test_lg_1_twenty_percent"): "LG1",
    (METROLOGY, "test_lg_2_a_small_spot_raises_fluence"): "LG2",
    (BEAMS, "test_lg_4_and_6_required_against_marked"): "LG4 LG6",
    (BEAMS, "test_lg_5_eyewear_for_one_of_two_wavelengths"): "LG5",
    (BEAMS, "test_lg_7_the_number_is_rounded_up"): "LG7",
    (DUTIES, "test_lg_8_inventory_every_twelve_months"): "LG8",
    (DUTIES, "test_lg_9_the_clocks_of_a_lost_laser"): "LG9",
    (DUTIES, "test_lg_10_reviews_and_visits"): "LG10",
    (METROLOGY, "test_lg_11_more_pulses_than_time_allows"): "LG11",
    (DUTIES, "test_lg_12_capture_velocity_of_the_extraction"): "LG12",
}

ROWS = {
    "CF": [f"CF{n}" for n in range(1, 10)],
    "MP": [f"MP{n}" for n in (1, 2, 3, 5, 6, 7, 8, 9)],
    "E": [f"E-{one}" for one in DURATIONS],
    "S": [f"S-{one}" for one in DURATIONS],
    "W": [f"W{one}" for one in ("2a", 3, 4, "5a", 6, 7, 8, 10, 11, "12a", "12b", "13a", "13b")],
    "TB": ["TB1", "TB2"],
    "ND": ["ND1", "ND2", "ND5", "ND6", "ND7"],
    "F": [f"F{mm}" for mm in (1, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 10)],
    "PK": [f"PK{n}" for n in (1, 2, 3, 4, 5, 6, 7, 8, 11, 12)],
    "K": [f"K{n}" for n in (1, 2, 3, 4, 5, 9, 10, 11, 12, 13, 14)],
    "R": [f"R-{one}" for one in ("40nm", "100nm", "200nm", "1um", "50um", "100um", "300um")],
    "DL": [f"DL{n}" for n in (1, 3, 4, 5, 6, 7)],
    "LG": [f"LG{n}" for n in (1, 2, 4, 5, 6, 7, 8, 9, 10, 11, 12)],
}


@pytest.mark.parametrize("group", ROWS)
def test_every_row_of_the_group_is_checked(group):
    checked = {row for rows in CHECKS.values() for row in rows.split()}
    assert set(ROWS[group]) - checked == set()


def test_no_row_is_claimed_that_there_is_not():
    known = {row for rows in ROWS.values() for row in rows}
    assert {row for rows in CHECKS.values() for row in rows.split()} == known


@pytest.mark.parametrize(("module", "name"), CHECKS)
def test_the_check_stands_where_it_is_said_to(module, name):
    assert callable(getattr(importlib.import_module(module), name))
