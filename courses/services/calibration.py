"""Calibration runs: made from the chain's own courses, accepted or refused by clinicians."""

from collections.abc import Callable
from datetime import datetime

from clinics.access import Actor
from clinics.locks import lock_chain
from clinics.models import Chain
from clinics.querysets import HasChain
from core.db import command, step
from core.transitions import allows
from courses import locks
from courses.calibration.as_json import report_json
from courses.calibration.records import Outcome
from courses.calibration.report import CalibrationReport, calibrate
from courses.errors import CalibrationUnknown, NothingProposed, StatusStepRefused
from courses.models import CalibrationDecision, CalibrationRun
from courses.science.errors import InvalidInput
from courses.science.estimate.prior import PriorSettings, check_settings
from courses.selectors.calibration import CalibrationData, calibration_data
from courses.transitions import CALIBRATION
from courses.vocabulary import CalibrationDecisionKind, CalibrationStatus

STATUS_OF = {
    CalibrationDecisionKind.ACCEPT: CalibrationStatus.ACCEPTED,
    CalibrationDecisionKind.REFUSE: CalibrationStatus.REFUSED,
    CalibrationDecisionKind.WITHDRAW: CalibrationStatus.WITHDRAWN,
}


def calibration_run(
    *,
    asker: HasChain,
    staff_id: int | None,
    now: datetime,
    on_step: Callable[[str], None] = lambda _: None,
) -> CalibrationRun:
    """Compare the chain's courses with what was predicted, and keep the run.

    It proposes a prior when there is enough data and a fit converges; otherwise it says why not.
    Reading and fitting hold no lock. `on_step` is told what is being done.
    """
    chain = Chain.objects.visible_to(asker).get()
    on_step("reading the courses")
    data = calibration_data(chain, now=now, on_read=lambda count: on_step(f"{count} courses read"))
    report = calibrate(data.records, on_step=on_step)
    on_step("keeping the run")
    return _keep(asker=asker, data=data, report=report, staff_id=staff_id)


@command
def calibration_decide(
    *,
    run_id: int,
    kind: CalibrationDecisionKind,
    reason: str,
    actor: Actor,
    now: datetime,
    expected_version: int | None = None,
) -> CalibrationRun:
    """Accept, refuse or withdraw a run; for treating clinicians.

    The accepted run is the chain's prior from then on, in place of the one before. The chain is
    locked: with none accepted yet, two runs would have no row in common. Raises
    CalibrationUnknown, NotAllowed, Stale, NothingProposed, StatusStepRefused.
    """
    actor.require("calibration.decide")
    lock_chain(actor=actor)
    rows = {row.pk: row for row in locks.lock_calibrations(chain_id=actor.chain_id, pk=run_id)}
    run = rows.pop(run_id, None)
    if run is None:
        raise CalibrationUnknown(calibration=run_id)
    run.check_version(expected_version)
    status = STATUS_OF[kind]
    if run.status == CalibrationStatus.INCONCLUSIVE:
        raise NothingProposed(calibration=run.pk, messages=run.report["messages"])
    if not allows(CALIBRATION, old=run.status, new=status):
        raise StatusStepRefused(status=run.status, wanted=status)
    if kind is CalibrationDecisionKind.ACCEPT:
        for before in rows.values():
            before.status = CalibrationStatus.SUPERSEDED
            before.save()
    run.status = status
    run.save()
    CalibrationDecision.objects.create(
        run=run, kind=kind, reason=reason.strip(), decided_by_id=actor.staff_id, decided_at=now
    )
    return run


@command
def _keep(
    *,
    asker: HasChain,
    data: CalibrationData,
    report: CalibrationReport,
    staff_id: int | None,
) -> CalibrationRun:
    chain = lock_chain(actor=asker)
    proposed = _proposed(report)
    newest = CalibrationRun.objects.filter(chain=chain).order_by("-number").first()
    return CalibrationRun.objects.create(
        chain=chain,
        number=newest.number + 1 if newest else 1,
        status=CalibrationStatus.PROPOSED if proposed else CalibrationStatus.INCONCLUSIVE,
        courses=report.courses,
        reached=dict(report.counts)[Outcome.REACHED],
        multiplier=None if proposed is None else proposed.multiplier,
        coefficient_of_variation=(None if proposed is None else proposed.coefficient_of_variation),
        prior_version=data.prior.version,
        report={**report_json(report), "left_out": data.left_out},
        requested_by_id=staff_id,
    )


@step
def _proposed(report: CalibrationReport) -> PriorSettings | None:
    """The prior that the refit proposes, if it is one that an estimate could take."""
    if report.refit is None:
        return None
    settings = report.refit.settings(version="proposed")
    try:
        check_settings(settings)
    except InvalidInput:
        return None
    return settings
