"""Answers about precautions recorded, and decisions of clinicians about them."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any

from clinics.access import Actor
from clinics.hours import local_date, zone_named
from clinics.models import Clinic
from core.db import command, step
from courses import locks
from courses.errors import InputRefused, NothingToClear, PatientUnknown, field_malformed, pointer_of
from courses.models import Patient, PrecautionAnswers, PrecautionDecision
from courses.policy import MEDICAL
from courses.science.precautions import (
    QUESTIONNAIRE_VERSION,
    Answer,
    AnswerProblem,
    InvalidAnswers,
    PrecautionFinding,
    current_sheet,
    known_answers,
    parse_answers,
    problems_of,
)
from courses.science.precautions.questions import BY_KEY, YES
from courses.selectors.precautions import BY_ID, known_of, subject_of_patient
from courses.services.patients import patient_change
from courses.vocabulary import PrecautionDecisionKind


@command
def precaution_answers_record(
    *,
    patient_id: int,
    answers: Mapping[str, Any],
    clinic: Clinic | None,
    answered_on: date | None,
    actor: Actor,
    now: datetime,
) -> PrecautionAnswers:
    """Record answers of a patient to some or all questions; earlier sets stay.

    Given at `clinic` (None: the home clinic) on a local day there (None: today). Gold medication
    goes on the patient's record, and so to the healing windows. Raises PatientUnknown,
    FieldsMalformed, InputRefused naming every answer that is unknown, cannot be, or contradicts
    another or the record.
    """
    patient = _locked_patient(patient_id, actor=actor)
    where = clinic or patient.home_clinic
    today = local_date(now, zone_named(where.time_zone))
    day = answered_on or today
    if day > today:
        raise field_malformed(
            "/answered_on", code="in_the_future", detail="Answers were given, not to come."
        )
    with answers_refused():
        given = parse_answers(answers, answered_on=day)
        _refuse_contradictions(patient, given, actor=actor, day=day, today=today)
    if not given:
        raise field_malformed("/answers", code="empty", detail="Answer at least one question.")
    recorded = PrecautionAnswers.objects.create(
        patient=patient,
        clinic=where,
        questionnaire_version=QUESTIONNAIRE_VERSION,
        answers=dict(answers),
        answered_on=day,
        expires_on=min(day + timedelta(days=BY_KEY[one.key].valid_days) for one in given),
        recorded_by_id=actor.staff_id,
        recorded_at=now,
    )
    if answers.get("gold") == YES and not patient.gold_therapy_ever:
        patient_change(
            patient_id=patient.pk,
            changes={"gold_therapy_ever": True},
            expected_version=None,
            actor=actor,
            now=now,
        )
    return recorded


@command
def precaution_decide(
    *,
    patient_id: int,
    precaution: str,
    kind: PrecautionDecisionKind,
    reason: str,
    valid_until: date | None,
    actor: Actor,
    now: datetime,
) -> PrecautionDecision:
    """Clear a precaution that stands, or take a clearance back; for treating clinicians.

    A clearance counts until the answer changes, at most until `valid_until`. Raises
    PatientUnknown, NotAllowed, FieldsMalformed, NothingToClear.
    """
    actor.require("precaution.decide")
    patient = _locked_patient(patient_id, actor=actor)
    today = local_date(now, zone_named(patient.home_clinic.time_zone))
    if valid_until is not None and valid_until < today:
        raise field_malformed(
            "/valid_until", code="in_the_past", detail="A clearance ends today or later."
        )
    _require_standing(patient, precaution=precaution, kind=kind, today=today)
    return PrecautionDecision.objects.create(
        patient=patient,
        precaution=precaution,
        kind=kind,
        reason=reason.strip(),
        decided_on=today,
        valid_until=valid_until if kind == PrecautionDecisionKind.CLEAR else None,
        decided_by_id=actor.staff_id,
        decided_at=now,
    )


@step
def _locked_patient(patient_id: int, *, actor: Actor) -> Patient:
    patient = locks.lock_patient(pk=patient_id)
    if patient is None or patient.chain_id != actor.chain_id:
        raise PatientUnknown(patient=patient_id)
    return patient


@step
def _refuse_contradictions(
    patient: Patient, given: tuple[Answer, ...], *, actor: Actor, day: date, today: date
) -> None:
    """What is wrong with these answers, by themselves or beside what stood on that day.

    What was recorded before is not looked at again: it was right when it was given. For who may
    not see it these answers stand alone, since a refusal would tell what the record says; what it
    says goes on counting.
    """
    subject, before, alone = subject_of_patient(patient), [], not actor.may(MEDICAL)
    if alone:
        subject = replace(subject, gold_on_record=False)
    else:
        before = [
            known_answers(one.answers, answered_on=one.answered_on)
            for one in known_of([patient.pk])[patient.pk].sets
            if one.answered_on <= day
        ]
    sheet = current_sheet([*before, given], today=today, subject=subject)
    fields = {f"answers.{one.key}" for one in given}
    problems = [problem for problem in problems_of(sheet) if problem.field in fields]
    problems += _without_what_they_follow(given) if alone else []
    if problems:
        raise InvalidAnswers(problems)


def _without_what_they_follow(given: tuple[Answer, ...]) -> list[AnswerProblem]:
    told = {one.key for one in given}
    follows = {key: BY_KEY[key].asked_when for key in sorted(told)}
    return [
        AnswerProblem(
            field=f"answers.{key}",
            rule="answers-incomplete",
            message=f"{key} follows from {after[0]}: answer that too.",
        )
        for key, after in follows.items()
        if after is not None and after[0] not in told
    ]


@step
def _require_standing(
    patient: Patient, *, precaution: str, kind: PrecautionDecisionKind, today: date
) -> None:
    known = known_of([patient.pk])[patient.pk]
    result = known.result(subject=subject_of_patient(patient), day=today)
    found: dict[str, PrecautionFinding] = {one.id: one for one in result.findings}
    rule = BY_ID.get(precaution)
    finding = found.get(precaution)
    if kind == PrecautionDecisionKind.WITHDRAW:
        fits = finding is not None and bool(finding.cleared_by)
    else:
        fits = finding is not None and finding.stops and rule is not None and rule.clearable
    if not fits:
        raise NothingToClear(
            precaution=precaution,
            clearable=[one.id for one in result.findings if one.stops and BY_ID[one.id].clearable],
            cleared=[one.id for one in result.findings if one.cleared_by],
        )


@contextmanager
def answers_refused() -> Iterator[None]:
    """Turn answers that a pure package refuses into InputRefused, naming all of them."""
    try:
        yield
    except InvalidAnswers as error:
        raise InputRefused(
            str(error),
            errors=[
                {
                    "pointer": pointer_of(problem.field),
                    "code": problem.rule,
                    "detail": problem.message,
                }
                for problem in error.problems
            ],
        ) from error
