"""Codes of problems that only signing in has."""

from core.api.problem_kinds import ProblemKind, tell

tell(
    ProblemKind(
        "sign_in_refused",
        (401,),
        "Not signed in",
        "The user name or the password is wrong, or the person is not on the staff.",
    ),
    ProblemKind(
        "username_password_mismatch",
        (400,),
        "Not signed in",
        "The user name or the password is wrong, or the person is not on the staff.",
    ),
    ProblemKind(
        "incorrect_password", (400,), "The password is wrong", "It is not the present one."
    ),
    ProblemKind(
        "incorrect_code",
        (400, 401),
        "The code is wrong",
        "The code of the second factor is wrong, or was given before: wait for the next one.",
    ),
    ProblemKind(
        "second_factor_needed",
        (401,),
        "A code is asked for",
        "The password is right; the code of the second factor comes next.",
    ),
    ProblemKind(
        "proof_needed",
        (401,),
        "Prove anew who you are",
        "This is done shortly after the password or a code was given, and that was too long ago.",
    ),
    ProblemKind("session_gone", (401,), "The session is over", "It ended by itself or was ended."),
    ProblemKind(
        "not_signed_in", (401,), "Nobody is signed in", "The session has not come that far."
    ),
    ProblemKind("not_set_up", (404,), "It is not set up", "There is no second factor as yet."),
    ProblemKind(
        "sign_in_conflict",
        (409,),
        "This step is not the next one",
        "Signing in goes step by step; `data.flows` says which may come now.",
    ),
    ProblemKind(
        "cannot_generate_recovery_codes",
        (400,),
        "No codes for recovery",
        "They come with a second factor, and there is none.",
    ),
)
