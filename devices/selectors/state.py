"""What holds for a laser or a handpiece at an instant; a fixed number of queries each."""

from datetime import datetime

from django.db.backends.postgresql.psycopg_any import DateTimeTZRange

from clinics.models import Reservation
from devices.models import EmissionLine, Fitting, Handpiece, Laser, LockOut, PulseEntry


def is_fitted(
    *, laser: Laser, handpiece: Handpiece, at: datetime, until: datetime | None = None
) -> bool:
    """Whether the handpiece is fitted to the laser at that instant, and on until `until`."""
    fitted = Fitting.objects.filter(laser=laser, handpiece=handpiece).holding_at(at)
    if until is not None and until > at:
        fitted = fitted.filter(period__contains=DateTimeTZRange(at, until))
    return bool(fitted.exists())


def fitted_to(laser: Laser, *, at: datetime) -> list[int]:
    """Ids of the handpieces fitted to the laser at that instant."""
    rows = Fitting.objects.filter(laser=laser).holding_at(at)
    return list(rows.values_list("handpiece_id", flat=True))


def lock_out_at(*, laser: Laser, at: datetime, line: EmissionLine | None = None) -> LockOut | None:
    """The lock-out that keeps the laser (or this line of it) from firing at that instant."""
    rows = LockOut.objects.filter(laser=laser).holding_at(at)
    return (rows.of_whole_lasers() if line is None else rows.keeping(line.pk)).first()


def lines_of(handpiece: Handpiece) -> list[EmissionLine]:
    """The lines a handpiece passes, by wavelength."""
    return list(handpiece.lines.order_by("wavelength_nm", "pulse_min_ns"))


def fittings_from(*, handpiece: Handpiece, at: datetime) -> list[Fitting]:
    """Fittings of the handpiece that hold at the instant or later, in order of time."""
    rows = Fitting.objects.filter(handpiece=handpiece, period__overlap=(at, None))
    return list(rows.select_related("laser").order_by("period"))


def fired_through_since(*, handpiece_id: int, at: datetime) -> bool:
    """Whether the ledger has pulses through the handpiece from that instant on."""
    return PulseEntry.objects.filter(handpiece_id=handpiece_id, fired_at__gte=at).exists()


def visits_hit(
    resource_id: int, *, start: datetime, end: datetime | None, now: datetime
) -> list[Reservation]:
    """What keeps a resource busy in a period (`end` None: without end), as it counts at `now`.

    Each names its owner in `source`, e.g. an appointment; whose it is, this app cannot know.
    """
    rows = Reservation.objects.filter(resource_id=resource_id, period__overlap=(start, end))
    return list(rows.counting_at(now).order_by("period", "pk"))
