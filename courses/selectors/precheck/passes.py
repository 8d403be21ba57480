"""Checks of each pass: what is fitted, what is set, how often it fired, and on which ink."""

from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from typing import Final

from core.vocabulary import DeviceStatus
from courses.science.ink_cautions import ink_cautions
from courses.science.ink_table import Grade, grade_of, nominal_nm
from courses.science.plausibility import (
    LineLimits,
    Setting,
    SettingCheck,
    SettingFinding,
    Severity,
    check_setting,
)
from courses.science.pulses import PulseClass, check_pulse
from courses.science.treatment import WHITENING_RANGE_S
from courses.selectors.precheck.context import Context
from courses.selectors.precheck.draft import PassDraft
from courses.selectors.precheck.findings import Finding, failed, passed, warned
from courses.vocabulary import InkColour, SkinType
from devices.metrology import most_pulses, pulses_plausible
from devices.models import EmissionLine, Handpiece

NS: Final = 1e-9
SPOT_SLACK_MM: Final = 0.05
OF_LINE: Final = {
    "energy-beyond-line": ("energy_in_line", "fluence_j_cm2"),
    "rate-beyond-line": ("rate_in_line", "rate_hz"),
    "pulse-beyond-line": ("pulse_in_line", "pulse_duration_ns"),
    "spot-not-on-line": ("spot_in_line", "spot_mm"),
}
FIELD_OF: Final = {
    "energy_j": "fluence_j_cm2",
    "fluence_j_cm2": "fluence_j_cm2",
    "pulse_s": "pulse_duration_ns",
    "rate_hz": "rate_hz",
    "spot_mm": "spot_mm",
}


def pass_findings(context: Context) -> Iterator[Finding]:
    """All checks of all passes, in their order."""
    for index, one in enumerate(context.draft.passes):
        at = f"/passes/{index}"
        line, handpiece = context.lines[one.line_id], context.handpieces[one.handpiece_id]
        yield _room_cleared(context, line, at=at)
        yield from _fitted(context, one, handpiece=handpiece, at=at)
        yield _emitted(context, line, handpiece=handpiece, at=at)
        yield _line_free(context, one, line=line, at=at)
        yield from _setting(one, line, at=at)
        yield _handpiece_spot(one, handpiece, at=at)
        yield from _pulses(one, until=context.draft.ends_of_passes()[index], at=at)
        yield from _ink(context, one, line=line, at=at)
        yield from _whitening(context, index)


def _room_cleared(context: Context, line: EmissionLine, *, at: str) -> Finding:
    cleared = context.room.cleared_wavelengths_nm
    if line.wavelength_nm in cleared:
        return passed("room_cleared", pointer=f"{at}/line", wavelength_nm=line.wavelength_nm)
    return failed(
        "room_cleared",
        f"The room is not cleared for {line.wavelength_nm} nm.",
        pointer=f"{at}/line",
        wavelength_nm=line.wavelength_nm,
        cleared_wavelengths_nm=list(cleared),
    )


def _fitted(
    context: Context, one: PassDraft, *, handpiece: Handpiece, at: str
) -> Iterator[Finding]:
    if handpiece.status == DeviceStatus.ACTIVE:
        yield passed("handpiece_in_service", pointer=f"{at}/handpiece")
    else:
        yield failed(
            "handpiece_in_service",
            f"The handpiece is {handpiece.status}.",
            pointer=f"{at}/handpiece",
            status=handpiece.status,
        )
    fitted = any(
        fitting.handpiece_id == handpiece.pk and one.started_at in fitting.period
        for fitting in context.fittings
    )
    if fitted:
        yield passed("handpiece_fitted", pointer=f"{at}/handpiece")
    else:
        yield failed(
            "handpiece_fitted",
            "The handpiece is not fitted to the laser at that instant.",
            pointer=f"{at}/handpiece",
            at=one.started_at.isoformat(),
        )


def _emitted(context: Context, line: EmissionLine, *, handpiece: Handpiece, at: str) -> Finding:
    by_laser = line.laser_model_id == context.laser.laser_model_id
    by_handpiece = line.pk in context.handpiece_lines[handpiece.pk]
    if by_laser and by_handpiece:
        return passed("line_emitted", pointer=f"{at}/line", wavelength_nm=line.wavelength_nm)
    return failed(
        "line_emitted",
        "The handpiece does not pass this line." if by_laser else "The laser has no such line.",
        pointer=f"{at}/line",
        wavelength_nm=line.wavelength_nm,
        handpiece_lines=sorted(context.handpiece_lines[handpiece.pk]),
    )


def _line_free(context: Context, one: PassDraft, *, line: EmissionLine, at: str) -> Finding:
    """A line that failed its energy check is locked out while the others go on."""
    pointer = f"{at}/line"
    for lock_out in context.lock_outs:
        if lock_out.line_id == line.pk and one.started_at in lock_out.period:
            return failed(
                "line_not_locked_out",
                f"{line.wavelength_nm} nm is locked out: {lock_out.get_reason_display()}.",
                pointer=pointer,
                wavelength_nm=line.wavelength_nm,
                lock_out=lock_out.pk,
                reason=lock_out.reason,
                since=lock_out.period.lower.isoformat(),
            )
    return passed("line_not_locked_out", pointer=pointer, wavelength_nm=line.wavelength_nm)


def _setting(one: PassDraft, line: EmissionLine, *, at: str) -> Iterator[Finding]:
    checked = check_setting(
        Setting(
            fluence_j_cm2=one.fluence_j_cm2,
            spot_mm=one.spot_mm,
            rate_hz=one.rate_hz,
            pulse_s=one.pulse_duration_ns * NS,
        ),
        LineLimits(
            wavelength_nm=line.wavelength_nm,
            pulse_min_s=line.pulse_min_ns * NS,
            pulse_max_s=line.pulse_max_ns * NS,
            max_energy_j=line.max_energy_j,
            max_rate_hz=line.max_rate_hz,
            spots_mm=tuple(line.spot_sizes_mm),
        ),
    )
    yield _pulse_short(one, at=at)
    yield from _within_line(checked, one, line=line, at=at)
    unusual = [found for found in checked.findings if found.severity is Severity.UNUSUAL]
    for found in unusual:
        yield _unusual(found, at=at)
    if not unusual:
        yield passed("setting_usual", pointer=at)


def _pulse_short(one: PassDraft, *, at: str) -> Finding:
    verdict = check_pulse(one.pulse_duration_ns * NS)
    numbers = {
        "pulse_duration_ns": one.pulse_duration_ns,
        "pulse_class": verdict.pulse_class.value,
        "ink_clump_relaxation_ns": verdict.clump_relaxation_s / NS,
        "ink_particle_relaxation_ns": verdict.particle_relaxation_s / NS,
        "times_clump_relaxation": verdict.times_clump,
        "heat_runs_um": verdict.heat_runs_m * 1e6,
    }
    pointer = f"{at}/pulse_duration_ns"
    if verdict.allowed:
        return passed("pulse_short", pointer=pointer, **numbers)
    return failed("pulse_short", verdict.text, pointer=pointer, **numbers)


def _within_line(
    checked: SettingCheck, one: PassDraft, *, line: EmissionLine, at: str
) -> Iterator[Finding]:
    beyond = {found.code: found for found in checked.findings}
    numbers: dict[str, dict[str, object]] = {
        "energy_in_line": {
            "energy_j": checked.energy_j,
            "max_energy_j": line.max_energy_j,
            "fluence_j_cm2": one.fluence_j_cm2,
            "spot_mm": one.spot_mm,
        },
        "rate_in_line": {"rate_hz": one.rate_hz, "max_rate_hz": line.max_rate_hz},
        "pulse_in_line": {
            "pulse_duration_ns": one.pulse_duration_ns,
            "pulse_min_ns": line.pulse_min_ns,
            "pulse_max_ns": line.pulse_max_ns,
        },
        "spot_in_line": {"spot_mm": one.spot_mm, "spot_sizes_mm": list(line.spot_sizes_mm)},
    }
    for code, (check, name) in OF_LINE.items():
        pointer = f"{at}/{name}"
        if code in beyond:
            yield failed(check, beyond[code].text, pointer=pointer, **numbers[check])
        else:
            yield passed(check, pointer=pointer, **numbers[check])


def _unusual(found: SettingFinding, *, at: str) -> Finding:
    return warned(
        "setting_usual",
        f"{found.text} ({found.basis.source})",
        pointer=f"{at}/{FIELD_OF[found.field]}",
        value=found.value,
        low=found.low,
        high=found.high,
    )


def _handpiece_spot(one: PassDraft, handpiece: Handpiece, *, at: str) -> Finding:
    spots = handpiece.spot_sizes_mm
    numbers = {"spot_mm": one.spot_mm, "spot_sizes_mm": list(spots)}
    if any(abs(spot - one.spot_mm) <= SPOT_SLACK_MM for spot in spots):
        return passed("spot_in_handpiece", pointer=f"{at}/spot_mm", **numbers)
    listed = ", ".join(f"{spot:g}" for spot in sorted(spots))
    return failed(
        "spot_in_handpiece",
        f"The handpiece has spots of {listed} mm.",
        pointer=f"{at}/spot_mm",
        **numbers,
    )


def _pulses(one: PassDraft, *, until: datetime | None, at: str) -> Iterator[Finding]:
    if one.pulses is None or until is None:
        return
    firing_s = (until - one.started_at) / timedelta(seconds=1)
    numbers = {
        "pulses": one.pulses,
        "rate_hz": one.rate_hz,
        "seconds": firing_s,
        "most_pulses": most_pulses(max(firing_s, 0.0), rate_hz=one.rate_hz),
    }
    if firing_s >= 0 and pulses_plausible(one.pulses, firing_s=firing_s, rate_hz=one.rate_hz):
        yield passed("pulses_in_time", pointer=f"{at}/pulses", **numbers)
    else:
        yield failed(
            "pulses_in_time",
            f"{one.pulses} pulses at {one.rate_hz:g} Hz take longer than {firing_s:g} s.",
            pointer=f"{at}/pulses",
            **numbers,
        )


def _ink(context: Context, one: PassDraft, *, line: EmissionLine, at: str) -> Iterator[Finding]:
    for position, pk in enumerate(one.part_ids):
        part = context.parts[pk]
        pointer = f"{at}/parts/{position}"
        colour = InkColour(part.colour)
        if part.cleared_on is not None:
            yield warned(
                "part_visible",
                f"This part was marked as gone on {part.cleared_on}.",
                pointer=pointer,
                cleared_on=part.cleared_on.isoformat(),
            )
        yield _answer(colour, line=line, pulse_ns=one.pulse_duration_ns, pointer=pointer)
        yield from _cautions(context, colour, line=line, pointer=pointer)


def _answer(colour: InkColour, *, line: EmissionLine, pulse_ns: float, pointer: str) -> Finding:
    picosecond = check_pulse(pulse_ns * NS).pulse_class is PulseClass.PICOSECOND
    grade = grade_of(colour, wavelength_nm=line.wavelength_nm, picosecond=picosecond)
    name = colour.value.replace("_", " ")
    numbers = {"wavelength_nm": line.wavelength_nm, "colour": colour.value, "grade": grade.value}
    if grade in {Grade.POOR, Grade.UNKNOWN}:
        how = "answers poorly to" if grade is Grade.POOR else "is not known to answer"
        return warned(
            "ink_answers", f"{name} {how} {line.wavelength_nm} nm.", pointer=pointer, **numbers
        )
    return passed("ink_answers", pointer=pointer, **numbers)


def _cautions(
    context: Context, colour: InkColour, *, line: EmissionLine, pointer: str
) -> Iterable[Finding]:
    nominal = nominal_nm(line.wavelength_nm)
    if nominal is None:
        return
    cautions = ink_cautions(
        colour,
        nominal_nm=nominal,
        skin_type=SkinType(context.course.patient.skin_type),
        cosmetic=False,
    )
    for caution in cautions:
        yield warned(
            "ink_cautions",
            caution.text,
            pointer=pointer,
            code=caution.code,
            test_spot=caution.test_spot,
            clinician=caution.clinician,
            source=caution.basis.source,
        )


def _whitening(context: Context, index: int) -> Iterator[Finding]:
    """A pass over a part that another pass has just whitened."""
    if context.draft.clearing_agent:
        return
    one = context.draft.passes[index]
    before = [
        earlier.started_at
        for earlier in context.draft.passes[:index]
        if set(earlier.part_ids) & set(one.part_ids)
    ]
    if not before:
        return
    minutes = (one.started_at - max(before)) / timedelta(minutes=1)
    low, high = (seconds / 60 for seconds in WHITENING_RANGE_S)
    numbers = {"minutes": minutes, "usual_from_minutes": low, "usual_to_minutes": high}
    pointer = f"/passes/{index}/started_at"
    if minutes >= low:
        yield passed("whitening_gone", pointer=pointer, **numbers)
    else:
        yield warned(
            "whitening_gone",
            f"{minutes:g} minutes after the pass before; whitening usually lasts {low:g} to "
            f"{high:g} minutes and shields the ink.",
            pointer=pointer,
            **numbers,
        )
