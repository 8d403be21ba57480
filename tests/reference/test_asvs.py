"""Points of OWASP ASVS 5.0.0 that the service is held to, each with the tests that show it.

Source: OWASP Application Security Verification Standard 5.0.0 (May 2025), chapters V2 (validation
and business logic), V8 (authorization) and V14 (data protection); the requirements are in our
words.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).parents[1]
POINTS = {
    "2.3.3": (
        "A business operation succeeds whole or leaves nothing",
        (
            "faults/test_booking_survives.py::test_what_was_answered_is_what_is_there",
            "core/test_db.py::test_a_refusal_of_the_inner_command_undoes_the_outer",
            "courses/replanning/test_applying.py::test_a_slot_that_was_booked_meanwhile_refuses_all",
        ),
    ),
    "2.3.4": (
        "Locks keep what is scarce from being booked twice",
        (
            "concurrency/test_booking_race.py::test_of_eight_threads_one_gets_the_slot",
            "concurrency/test_booking_race.py::test_control_without_lock_and_constraint_books_twice",
            "clinics/test_reservation_race.py::test_of_two_threads_exactly_one_gets_each_slot",
        ),
    ),
    "2.4.1": (
        "Costly functions and scarce slots cannot be used up by a program",
        (
            "core/test_throttling.py::test_beyond_the_quota_is_429_with_the_time_to_wait",
            "architecture/test_endpoints.py::test_each_quota_has_a_rate",
            "courses/frontdesk/test_holds.py::test_the_quota_is_the_manager_s_to_set",
        ),
    ),
    "8.2.1": (
        "Functions are open only to who is permitted",
        (
            "access/test_every_operation.py::test_at_the_own_clinic_another_and_in_another_chain",
            "access/test_every_operation.py::test_every_operation_of_the_document_is_asked_here",
            "architecture/test_endpoints.py::test_each_action_has_a_known_policy",
        ),
    ),
    "8.2.2": (
        "Rows are open only to who is permitted to them",
        (
            "access/test_replays.py::test_keys_in_addresses",
            "access/test_replays.py::test_keys_in_bodies",
            "access/test_replays.py::test_keys_in_queries",
        ),
    ),
    "8.2.3": (
        "Fields are shown to, and changed by, only who is permitted",
        (
            "access/test_fields.py::test_guarded_fields_are_null_to_who_may_not_see_them",
            "access/test_fields.py::test_who_may_not_see_a_field_may_not_change_it",
            "access/test_fields.py::test_no_medical_detail_is_unguarded",
        ),
    ),
    "8.3.1": (
        "The service enforces it, whatever a client does",
        (
            "access/test_credentials.py::test_without_a_credential",
            "isolation/test_the_second_wall.py::test_shows_no_row_of_another_chain",
        ),
    ),
    "8.3.2": (
        "A change of permissions counts at once",
        (
            "access/test_credentials.py::test_a_role_that_is_removed_is_gone_on_the_next_request",
            "access/test_credentials.py::test_with_a_token_that_was_taken_away",
            "clinics/sign_in/test_tokens.py::test_who_has_left_is_refused_on_the_next_request",
        ),
    ),
    "8.4.1": (
        "Chains are kept apart",
        (
            "access/test_replays.py::test_keys_in_addresses",
            "isolation/test_the_second_wall.py::test_both_walls_show_the_same",
            "isolation/test_the_second_wall.py::test_a_web_process_cannot_take_the_wall_down",
        ),
    ),
    "14.2.1": (
        "What is sensitive travels in bodies and headers, never in addresses",
        (
            "protection/test_no_personal_data_leaks.py::test_no_address_takes_what_is_personal",
            "protection/test_no_personal_data_leaks.py::test_addresses_of_pages_carry_no_names",
            "courses/clinical/test_patient_search.py::test_an_address_takes_no_name",
        ),
    ),
}


@cache
def found_in(file: str) -> frozenset[str]:
    tree = ast.parse((TESTS / file).read_text())
    return frozenset(
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    )


@pytest.mark.parametrize("point", POINTS)
def test_each_point_has_tests_that_are_there(point):
    _, tests = POINTS[point]
    assert tests
    for named in tests:
        file, _, name = named.partition("::")
        assert name in found_in(file), named
