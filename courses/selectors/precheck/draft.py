"""A session as it is told, before anything is written."""

from dataclasses import dataclass, replace
from datetime import datetime

from courses.errors import FieldsMalformed
from courses.models import Appointment
from courses.vocabulary import SessionStatus, SkinResponse


@dataclass(frozen=True, slots=True)
class PassDraft:
    """One pass. `pulses` None: not fired yet, the check is asked beforehand."""

    line_id: int
    handpiece_id: int
    part_ids: tuple[int, ...]
    started_at: datetime
    spot_mm: float
    fluence_j_cm2: float
    pulse_duration_ns: float
    rate_hz: float
    pulses: int | None = None
    ended_at: datetime | None = None
    responses: tuple[SkinResponse, ...] = ()


@dataclass(frozen=True, slots=True)
class SessionDraft:
    """A session to record or to check. What is None is that of the appointment."""

    course_id: int
    started_at: datetime
    passes: tuple[PassDraft, ...]
    appointment_id: int | None = None
    clinic_id: int | None = None
    room_id: int | None = None
    laser_id: int | None = None
    operator_id: int | None = None
    ended_at: datetime | None = None
    status: SessionStatus = SessionStatus.COMPLETED
    status_reason: str = ""
    clearing_agent: bool = False
    others_present: int = 0
    note: str = ""
    override_reason: str = ""

    def completed_from(self, appointment: Appointment | None) -> "SessionDraft":
        """The draft with the appointment's clinic, room, laser and operator where it names none.

        Raises FieldsMalformed for what neither names.
        """
        named = self._filled(appointment) if appointment is not None else self
        missing = [
            name
            for name in ("clinic", "room", "laser", "operator")
            if getattr(named, f"{name}_id") is None
        ]
        if missing:
            detail = "Name it, or an appointment that does."
            raise FieldsMalformed(
                detail,
                errors=[
                    {"pointer": f"/{name}", "code": "required", "detail": detail}
                    for name in missing
                ],
            )
        return named

    def _filled(self, appointment: Appointment) -> "SessionDraft":
        return replace(
            self,
            clinic_id=self.clinic_id or appointment.clinic_id,
            room_id=self.room_id or appointment.room_id,
            laser_id=self.laser_id or appointment.laser_id,
            operator_id=self.operator_id or appointment.operator_id,
        )

    def ends_of_passes(self) -> tuple[datetime | None, ...]:
        """Until when each pass lasted; where it does not say, until the next one, or the end."""
        starts = [one.started_at for one in self.passes]
        bounds = (*starts[1:], self.ended_at) if starts else ()
        return tuple(one.ended_at or bound for one, bound in zip(self.passes, bounds, strict=True))
