"""What stands in the printed logbook of a laser for a period; the number of queries is fixed."""

from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from clinics.hours import local_date, zone_named
from core.errors import Refused
from core.spans import Span
from devices.logbook import Column, Logbook, Section
from devices.models import (
    EnergyCheck,
    Fitting,
    Installation,
    Laser,
    LockOut,
    PulseEntry,
    ServiceVisit,
    StartUpCheck,
)

MOST_ENTRIES: Final = 20_000
SIGNED_BY: Final = ("Laser safety officer", "Keeper of the laser", "Reviewed by")
WHEN: Final = "%Y-%m-%d %H:%M:%S"
HALF: Final = 32

Local = Callable[[datetime | None], str]


class LogbookTooLong(Refused):
    """The period has more entries than are printed at once: print it in parts."""

    code = "logbook_too_long"
    title = "The logbook has too many entries for one document"


def logbook_of(
    laser: Laser, *, span: Span, now: datetime, printed_by: str, caution: str
) -> Logbook:
    """Ledger with digests, corrections, checks, services, parts, lock-outs of the span.

    Ledger rows are those fired within the span, in the order of the chain; times are the clinic's.
    Raises LogbookTooLong.
    """
    zone = zone_named(laser.clinic.time_zone)

    def local(at: datetime | None) -> str:
        return "" if at is None else at.astimezone(zone).strftime(WHEN)

    entries = _entries(laser, span)
    title = f"Logbook of laser {laser.serial}"
    period = f"{local(span.start)} to {local(span.end)} ({laser.clinic.time_zone})"
    return Logbook(
        title=title,
        facts=_facts(laser, entries, period=period, printed=f"{local(now)}, {printed_by}"),
        sections=(
            _ledger(entries, local),
            _corrections(entries, local),
            _checks(laser, span, local),
            _visits(laser, span, local),
            _parts(laser, span, local),
            _fittings(laser, span, local),
            _lock_outs(laser, span, local),
            _start_up(laser, span, local),
        ),
        signatures=SIGNED_BY,
        caution=caution,
        footer=f"{laser.chain.name} · {laser.clinic.name} · {title} · {period}",
    )


def _entries(laser: Laser, span: Span) -> list[PulseEntry]:
    rows = PulseEntry.objects.filter(
        laser=laser, fired_at__gte=span.start, fired_at__lt=span.end
    ).select_related("handpiece", "line", "operator", "corrects")
    entries = list(rows.order_by("sequence")[: MOST_ENTRIES + 1])
    if len(entries) > MOST_ENTRIES:
        raise LogbookTooLong(f"At most {MOST_ENTRIES} entries.", most=MOST_ENTRIES)
    return entries


def _facts(
    laser: Laser, entries: Sequence[PulseEntry], *, period: str, printed: str
) -> tuple[tuple[str, str], ...]:
    lines = sorted({line.wavelength_nm for line in laser.laser_model.lines.all()})
    head = PulseEntry.objects.filter(laser=laser).order_by("-sequence").first()
    firings = sum(entry.corrects_id is None for entry in entries)
    pulses = sum(entry.pulses for entry in entries)
    said = "no entry yet" if head is None else f"{head.sequence} · {bytes(head.digest).hex()}"
    return (
        ("Chain and clinic", f"{laser.chain.name}, {laser.clinic.name}"),
        ("Laser", f"{laser.laser_model.name}, serial {laser.serial}, {laser.label}".rstrip(", ")),
        ("Lines", ", ".join(f"{nm} nm" for nm in lines)),
        ("Period", period),
        ("Pulses in the period", f"{pulses} after corrections"),
        ("Entries", f"{firings} firings, {len(entries) - firings} corrections"),
        ("Head of the ledger", f"{said} (place and SHA-256 of the last entry of all)"),
        ("Printed", printed),
    )


def _ledger(entries: Sequence[PulseEntry], local: Local) -> Section:
    columns = (
        Column("No.", 5, right=True),
        Column("Fired at", 13),
        Column("Handpiece", 11),
        Column("nm", 4, right=True),
        Column("Pulses", 7, right=True),
        Column("Purpose", 9),
        Column("Operator", 14),
        Column("Spot mm, J/cm², Hz", 13),
        Column("Digest (SHA-256)", 17, digits=True),
    )
    rows = [
        (
            str(entry.sequence),
            local(entry.fired_at),
            entry.handpiece.serial,
            str(entry.line.wavelength_nm),
            _signed(entry),
            _purpose(entry),
            entry.operator.name,
            _setting(entry),
            _digest(entry),
        )
        for entry in entries
    ]
    total = f"Sum of the period: {sum(entry.pulses for entry in entries)} pulses"
    return Section("Pulse ledger", columns, rows, total)


def _signed(entry: PulseEntry) -> str:
    return str(entry.pulses) if entry.corrects_id is None else f"{entry.pulses:+d}"


def _purpose(entry: PulseEntry) -> str:
    if entry.corrects is None:
        return str(entry.get_purpose_display())
    return f"corrects {entry.corrects.sequence}"


def _digest(entry: PulseEntry) -> str:
    text = bytes(entry.digest).hex()
    return f"{text[:HALF]}\n{text[HALF:]}"


def _setting(entry: PulseEntry) -> str:
    if entry.spot_mm is None:
        return ""
    return f"{entry.spot_mm:g}, {entry.fluence_j_cm2:.3g}, {entry.rate_hz:g}"


def _corrections(entries: Sequence[PulseEntry], local: Local) -> Section:
    columns = (
        Column("No.", 5, right=True),
        Column("Corrects", 6, right=True),
        Column("Pulses", 8, right=True),
        Column("Written at", 13),
        Column("By", 16),
        Column("Reason", 45),
    )
    rows = [
        (
            str(entry.sequence),
            str(entry.corrects.sequence),
            f"{entry.pulses:+d}",
            local(entry.created_at),
            entry.operator.name,
            entry.reason,
        )
        for entry in entries
        if entry.corrects is not None
    ]
    return Section("Corrections", columns, rows)


def _checks(laser: Laser, span: Span, local: Local) -> Section:
    columns = (
        Column("Checked at", 13),
        Column("nm", 4, right=True),
        Column("Handpiece", 11),
        Column("Set mJ", 7, right=True),
        Column("Mean mJ", 7, right=True),
        Column("Off %", 6, right=True),
        Column("Readings", 8, right=True),
        Column("Result", 8),
        Column("Meter, certificate", 18),
        Column("By", 13),
        Column("Note", 14),
    )
    found = EnergyCheck.objects.filter(
        laser=laser, checked_at__gte=span.start, checked_at__lt=span.end
    ).select_related("line", "handpiece", "meter", "checked_by", "void")
    rows = [
        (
            local(one.checked_at),
            str(one.line.wavelength_nm),
            one.handpiece.serial,
            f"{1000 * one.set_energy_j:.4g}",
            f"{1000 * one.mean_j:.4g}",
            f"{100 * one.deviation:+.1f}",
            str(len(one.readings_j)),
            _result(one),
            f"{one.meter.serial}, {one.certificate_number}",
            one.checked_by.name,
            f"in error: {one.void.reason}" if hasattr(one, "void") else one.note,
        )
        for one in found.order_by("checked_at", "id")
    ]
    return Section("Energy checks", columns, rows)


def _result(check: EnergyCheck) -> str:
    if hasattr(check, "void"):
        return "void"
    return "passed" if check.passed else "FAILED"


def _visits(laser: Laser, span: Span, local: Local) -> Section:
    columns = (
        Column("From", 13),
        Column("To", 13),
        Column("Status", 8),
        Column("Plans", 20),
        Column("Outcome or note", 34),
        Column("Done by", 14),
    )
    found = ServiceVisit.objects.filter(
        laser=laser, period__overlap=(span.start, span.end)
    ).select_related("done_by")
    rows = [
        (
            local(one.period.lower),
            local(one.period.upper),
            one.get_status_display(),
            ", ".join(sorted(plan.name for plan in one.plans.all())),
            one.outcome or one.note,
            one.done_by.name if one.done_by else "",
        )
        for one in found.prefetch_related("plans").order_by("period", "id")
    ]
    return Section("Service visits", columns, rows)


def _parts(laser: Laser, span: Span, local: Local) -> Section:
    found = Installation.objects.filter(
        laser=laser, period__overlap=(span.start, span.end)
    ).select_related("part", "installed_by", "removed_by")
    columns = (
        Column("Kind", 10),
        Column("Serial", 18),
        Column("Installed", 13),
        Column("Removed", 13),
        Column("By", 26),
        Column("Note", 24),
    )
    rows = [
        (
            one.part.get_kind_display(),
            one.part.serial,
            local(one.period.lower),
            local(one.period.upper),
            ", ".join(who.name for who in (one.installed_by, one.removed_by) if who),
            "; ".join(filter(None, (one.note, one.removal_note))),
        )
        for one in found.order_by("period", "id")
    ]
    return Section("Parts", columns, rows)


def _fittings(laser: Laser, span: Span, local: Local) -> Section:
    found = Fitting.objects.filter(laser=laser, period__overlap=(span.start, span.end))
    rows = [
        (one.handpiece.serial, local(one.period.lower), local(one.period.upper))
        for one in found.select_related("handpiece").order_by("period", "id")
    ]
    columns = (Column("Handpiece", 20), Column("Fitted", 13), Column("Taken off", 13))
    return Section("Handpieces", columns, rows)


def _lock_outs(laser: Laser, span: Span, local: Local) -> Section:
    found = LockOut.objects.filter(
        laser=laser, period__overlap=(span.start, span.end)
    ).select_related("line", "placed_by", "released_by")
    columns = (
        Column("From", 13),
        Column("To", 13),
        Column("Of", 10),
        Column("Reason", 14),
        Column("Note", 24),
        Column("Placed by", 13),
        Column("Released by", 13),
        Column("Release note", 18),
    )
    rows = [
        (
            local(one.period.lower),
            local(one.period.upper),
            f"{one.line.wavelength_nm} nm" if one.line else "laser",
            one.get_reason_display(),
            one.note,
            one.placed_by.name if one.placed_by else "service tick",
            one.released_by.name if one.released_by else "",
            one.release_note,
        )
        for one in found.order_by("period", "id")
    ]
    return Section("Lock-outs", columns, rows)


def _start_up(laser: Laser, span: Span, local: Local) -> Section:
    zone = zone_named(laser.clinic.time_zone)
    found: Iterable[Any] = (
        StartUpCheck.objects.filter(
            laser=laser,
            day__gte=local_date(span.start, zone),
            checked_at__gte=span.start,
            checked_at__lt=span.end,
        )
        .select_related("checked_by")
        .order_by("checked_at", "id")
    )
    columns = (
        Column("Checked at", 13),
        Column("Result", 8),
        Column("By", 16),
        Column("What failed", 40),
        Column("Note", 20),
    )
    rows = [
        (
            local(one.checked_at),
            "passed" if one.passed else "FAILED",
            one.checked_by.name,
            "; ".join(f"{item['code']}: {item['note']}" for item in one.items if not item["ok"]),
            one.note,
        )
        for one in found
    ]
    return Section("Start-up checks", columns, rows)
