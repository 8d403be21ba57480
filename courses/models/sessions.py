"""One treatment and what the skin showed during it and later."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from core.constraints import not_before, one_of, positive
from core.models import Versioned
from core.vocabulary import choices
from courses.querysets import CourseScoped, SessionScoped
from courses.vocabulary import (
    ObservationKind,
    ObservationStatus,
    SessionStatus,
    Severity,
    SkinResponse,
)


class Session(Versioned):
    """One treatment of a course. `checks` keeps what the pre-checks found, in their words."""

    course = models.ForeignKey("courses.Course", on_delete=models.PROTECT, related_name="sessions")
    appointment = models.OneToOneField(
        "courses.Appointment", on_delete=models.PROTECT, null=True, related_name="session"
    )
    clinic = models.ForeignKey(
        "clinics.Clinic", on_delete=models.PROTECT, related_name="sessions", db_index=False
    )
    room = models.ForeignKey("clinics.Room", on_delete=models.PROTECT, related_name="sessions")
    laser = models.ForeignKey(
        "devices.Laser", on_delete=models.PROTECT, related_name="sessions", db_index=False
    )
    operator = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="sessions"
    )
    status = models.CharField(
        max_length=20, choices=choices(SessionStatus), default=SessionStatus.PREPARATION
    )
    started_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)
    treated_on = models.DateField(help_text="Local date at the clinic")
    clearing_agent = models.BooleanField(default=False)
    checks = models.JSONField(default=list)
    override_reason = models.CharField(
        max_length=400, blank=True, help_text="A clinician's reason to treat in spite of a check"
    )
    recorded_by = models.ForeignKey(
        "clinics.StaffMember",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="Who recorded it, and who overrode a check where one was",
    )
    status_reason = models.CharField(
        max_length=400, blank=True, help_text="Why it was stopped or entered in error"
    )
    note = models.CharField(max_length=1000, blank=True)

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["course", "started_at"]
        constraints = [
            one_of("status", SessionStatus, name="session_status_known"),
            not_before("ended_at", "started_at", name="session_ends_after_start"),
        ]
        indexes = [
            models.Index(fields=["clinic", "started_at", "id"], name="session_clinic_time"),
            models.Index(fields=["laser", "started_at"], name="session_laser_time"),
        ]

    def __str__(self) -> str:
        return f"session {self.pk}"


class TreatmentPass(models.Model):
    """One pass over the area on one line, and the ledger entry of its pulses."""

    session = models.ForeignKey(
        Session, on_delete=models.PROTECT, related_name="passes", db_index=False
    )
    sequence = models.PositiveSmallIntegerField()
    line = models.ForeignKey(
        "devices.EmissionLine", on_delete=models.PROTECT, related_name="passes"
    )
    handpiece = models.ForeignKey(
        "devices.Handpiece", on_delete=models.PROTECT, related_name="passes"
    )
    parts = models.ManyToManyField("courses.TattooPart", related_name="passes")
    started_at = models.DateTimeField()
    spot_mm = models.FloatField()
    fluence_j_cm2 = models.FloatField()
    pulse_duration_ns = models.FloatField()
    rate_hz = models.FloatField()
    pulses = models.PositiveIntegerField()
    responses = ArrayField(
        models.CharField(max_length=24, choices=choices(SkinResponse)), default=list, blank=True
    )
    pulse_entry = models.OneToOneField(
        "devices.PulseEntry", on_delete=models.PROTECT, related_name="treatment_pass"
    )

    objects = SessionScoped.as_manager()

    class Meta:
        ordering = ["session", "sequence"]
        constraints = [
            models.UniqueConstraint(
                fields=["session", "sequence"], name="treatmentpass_sequence_once"
            ),
            positive("sequence", name="treatmentpass_sequence_from_one"),
            positive("spot_mm", name="treatmentpass_spot_positive"),
            positive("fluence_j_cm2", name="treatmentpass_fluence_positive"),
            positive("rate_hz", name="treatmentpass_rate_positive"),
            positive("pulses", name="treatmentpass_pulses_positive"),
            models.CheckConstraint(
                condition=Q(pulse_duration_ns__gt=0, pulse_duration_ns__lt=1_000_000),
                name="treatmentpass_no_millisecond_pulse",
            ),
        ]

    def __str__(self) -> str:
        return f"pass {self.sequence} of session {self.session_id}"


class Observation(Versioned):
    """What the skin shows after a session; `resolved_on` is set when it has gone."""

    course = models.ForeignKey(
        "courses.Course", on_delete=models.PROTECT, related_name="observations"
    )
    session = models.ForeignKey(
        Session, on_delete=models.PROTECT, null=True, related_name="observations"
    )
    kind = models.CharField(max_length=24, choices=choices(ObservationKind))
    severity = models.CharField(max_length=12, choices=choices(Severity), default=Severity.MILD)
    status = models.CharField(
        max_length=20, choices=choices(ObservationStatus), default=ObservationStatus.FINAL
    )
    observed_on = models.DateField()
    began_on = models.DateField(null=True, blank=True)
    resolved_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=400, blank=True)
    status_reason = models.CharField(
        max_length=400, blank=True, help_text="Why it was amended or entered in error"
    )
    recorded_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )

    objects = CourseScoped.as_manager()

    class Meta:
        ordering = ["course", "observed_on", "id"]
        constraints = [
            one_of("kind", ObservationKind, name="observation_kind_known"),
            one_of("severity", Severity, name="observation_severity_known"),
            one_of("status", ObservationStatus, name="observation_status_known"),
            not_before("observed_on", "began_on", name="observation_seen_after_it_began"),
            not_before("resolved_on", "observed_on", name="observation_resolved_after_seen"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} on {self.observed_on}"
