"""Why a search is empty: each condition is lifted in thought, one by one.

First what no diary can mend (no such laser, no such handpiece, nobody there). Then every
condition whose lifting alone would give a slot, with the first start it would give. If there is
none, every condition that cannot be met even when all others are lifted. If each can be met
alone, the resources are simply never free together.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime

from courses.slots.answer import Reason
from courses.slots.candidates import ClinicCandidates
from courses.slots.clinic_frame import clinic_frame
from courses.slots.explanations import Case, explanation
from courses.slots.grid import GRAIN_MINUTES, Grid
from courses.slots.options import device_options
from courses.slots.request import InkNeed, SearchPolicy, SlotRequest
from courses.slots.wording import alternatives, long_date, wanted
from courses.slots.zone_frame import Condition, Relaxed, zone_frame

EVERYTHING: Relaxed = frozenset(Condition)


def explain(
    request: SlotRequest,
    *,
    grid: Grid,
    clinics: Sequence[ClinicCandidates],
    policy: SearchPolicy,
) -> tuple[Reason, ...]:
    """The conditions that bound, most fundamental first; at least one."""
    if not clinics:
        return (Reason("no_clinic", "No clinic is accepted that is active.", {}),)
    case = Case(request, grid, tuple(clinics))
    lacking = tuple(_lacking_devices(case)) or tuple(_lacking_places(case))
    if lacking:
        return lacking
    binding = []
    stated = [condition for condition in Condition if _is_stated(condition, case, policy=policy)]
    for condition in stated:
        first = min(first_starts(case, policy=policy, relaxed=frozenset({condition})), default=None)
        if first is not None:
            binding.append(explanation(condition, case=case, first_start=first))
    if not binding:
        binding = [
            explanation(condition, case=case, first_start=None)
            for condition in stated
            if not any(first_starts(case, policy=policy, relaxed=EVERYTHING - {condition}))
        ]
    return tuple(binding) or (_never_together(case),)


def first_starts(case: Case, *, policy: SearchPolicy, relaxed: Relaxed) -> Iterator[datetime]:
    """The first start, with some conditions lifted, at each clinic that has one."""
    zones = {
        zone: zone_frame(case.request, grid=case.grid, zone=zone, policy=policy, relaxed=relaxed)
        for zone in {clinic.zone for clinic in case.clinics}
    }
    for clinic in case.clinics:
        frame = clinic_frame(
            case.request,
            clinic=clinic,
            grid=case.grid,
            zone=zones[clinic.zone],
            policy=policy,
            relaxed=relaxed,
        )
        if len(frame.columns):
            for cell in frame.columns[frame.feasible()][:1]:
                yield case.grid.instant(int(cell))


def _is_stated(condition: Condition, case: Case, *, policy: SearchPolicy) -> bool:
    """Whether the case says anything that lifting the condition could change."""
    said = {
        Condition.CHANGEOVER: policy.changeover_minutes > 0,
        Condition.WISHES: bool(case.request.wishes),
        Condition.PATIENT_FREE: bool(case.request.patient_busy),
        Condition.CHOSEN_OPERATOR: case.request.operator_ids is not None,
        Condition.LOCK_OUT: any(
            laser.locked_out for clinic in case.clinics for laser in clinic.lasers
        ),
    }
    return said.get(condition, True)


def _lacking_devices(case: Case) -> Iterator[Reason]:
    """What no laser or handpiece at these clinics can do, fitted as they may be."""
    if any(
        device_options(
            case.request.needs,
            lasers=clinic.lasers,
            handpieces=clinic.handpieces,
            grid=case.grid,
            any_fitting=True,
        )
        for clinic in case.clinics
    ):
        return
    required = [need for need in case.request.needs if need.required] or case.request.needs
    lasers = {nm for clinic in case.clinics for one in clinic.lasers for nm in one.wavelengths_nm}
    tips = {nm for clinic in case.clinics for one in clinic.handpieces for nm in one.wavelengths_nm}
    alone = True
    for need in required:
        if not lasers & set(need.wavelengths_nm):
            alone = False
            yield _lacks("laser", need, case)
        elif not lasers & tips & set(need.wavelengths_nm):
            alone = False
            yield _lacks("handpiece", need, case)
    if alone:
        yield Reason(
            "no_laser_with_all_wavelengths",
            f"No one laser at these clinics, with its handpieces, emits {wanted(required)}.",
            {"needs": {need.key: list(need.wavelengths_nm) for need in required}},
        )


def _lacking_places(case: Case) -> Iterator[Reason]:
    """What no condition lifted in thought would bring: a person, a room, time enough."""
    able = {clinic.id: clinic for clinic, _, _ in case.serving()}.values()
    facts = {"clinic_ids": [clinic.id for clinic in able], "before": case.ends_on.isoformat()}
    if not any(clinic.operators for clinic in able):
        detail = f"Nobody is on shift at a clinic with a laser for {case.ink} {case.before}."
        yield Reason("no_operator_on_shift", detail, dict(facts))
    if not any(clinic.rooms for clinic in able):
        detail = f"No room is in use at a clinic with a laser for {case.ink}."
        yield Reason("no_room", detail, dict(facts))
    minutes = case.request.timeline.minutes
    if minutes > case.grid.cells * GRAIN_MINUTES:
        detail = f"The visit takes {minutes} minutes, longer than the time that is searched."
        yield Reason("visit_longer_than_search", detail, {"minutes": minutes})


def _lacks(what: str, need: InkNeed, case: Case) -> Reason:
    return Reason(
        f"no_{what}_with_wavelength",
        f"No {what} with {alternatives(need)} at these clinics before {long_date(case.ends_on)}.",
        {
            "key": need.key,
            "wavelengths_nm": list(need.wavelengths_nm),
            "before": case.ends_on.isoformat(),
        },
    )


def _never_together(case: Case) -> Reason:
    return Reason(
        "never_together",
        "Every condition can be met at some time, but never all at once"
        f" before {long_date(case.ends_on)}.",
        {"before": case.ends_on.isoformat()},
    )
