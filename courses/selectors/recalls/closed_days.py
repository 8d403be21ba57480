"""Which days clinics are closed, asked for many courses at once and remembered meanwhile."""

from datetime import date, datetime, timedelta
from typing import Final

from clinics.hours import ClinicCalendar, UnknownRegion, opening_spans
from clinics.models import Clinic
from clinics.selectors import calendars_for
from core.spans import Span

BEHIND: Final = timedelta(days=400)
AHEAD: Final = timedelta(days=800)
ONE_DAY: Final = timedelta(days=1)


class ClosedDaysOfClinics:
    """Answers whether a clinic is closed on a local date, around `now`.

    A clinic without weekly hours is never closed: nobody has said when it is open. Three queries
    for each clinic that is asked about, once; keep it for one batch or one tick, not longer.
    """

    def __init__(self, *, now: datetime) -> None:
        self._around = Span(now - BEHIND, now + AHEAD)
        self._calendars: dict[int, ClinicCalendar | None] = {}
        self._days: dict[tuple[int, date], bool] = {}

    def __call__(self, clinic_id: int, day: date) -> bool:
        asked = clinic_id, day
        if asked not in self._days:
            self._days[asked] = self._closed(clinic_id, day)
        return self._days[asked]

    def _closed(self, clinic_id: int, day: date) -> bool:
        if clinic_id not in self._calendars:
            clinic = Clinic.objects.get(pk=clinic_id)
            calendar = calendars_for([clinic], self._around)[clinic_id]
            self._calendars[clinic_id] = calendar if calendar.weekly else None
        found = self._calendars[clinic_id]
        if found is None:
            return False
        try:
            return not opening_spans(found, from_date=day, to_date=day + ONE_DAY)
        except UnknownRegion:
            return False
