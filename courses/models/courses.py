"""A course of treatment: the plan for one or more tattoos of one patient."""

from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import one_of
from core.models import Versioned
from core.vocabulary import choices
from courses.vocabulary import CourseEnd, CourseGoal, CourseStatus


class Course(Versioned):
    """One patient's plan. A tattoo stands in one running course at a time."""

    chain = models.ForeignKey(
        "clinics.Chain", on_delete=models.PROTECT, related_name="courses", db_index=False
    )
    clinic = models.ForeignKey(
        "clinics.Clinic",
        on_delete=models.PROTECT,
        related_name="courses",
        help_text="Where the course is led; sessions may happen at any clinic of the chain",
    )
    patient = models.ForeignKey("courses.Patient", on_delete=models.PROTECT, related_name="courses")
    tattoos = models.ManyToManyField("courses.Tattoo", related_name="courses")
    goal = models.CharField(max_length=16, choices=choices(CourseGoal), default=CourseGoal.CLEAR)
    target_clearance = models.FloatField(default=0.95, help_text="Fraction of ink to be gone")
    status = models.CharField(
        max_length=20, choices=choices(CourseStatus), default=CourseStatus.DRAFT
    )
    consented_on = models.DateField(null=True, blank=True, help_text="Consent to treatment")
    started_on = models.DateField(null=True, blank=True)
    ended_on = models.DateField(null=True, blank=True)
    end_reason = models.CharField(max_length=24, choices=choices(CourseEnd), blank=True)
    status_reason = models.CharField(
        max_length=400, blank=True, help_text="Why the last step of the status was taken"
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["id"]
        constraints = [
            one_of("goal", CourseGoal, name="course_goal_known"),
            one_of("status", CourseStatus, name="course_status_known"),
            models.CheckConstraint(
                condition=Q(target_clearance__gt=0, target_clearance__lte=1),
                name="course_target_is_fraction",
            ),
            models.CheckConstraint(
                condition=Q(
                    status__in=[CourseStatus.DRAFT, CourseStatus.ACTIVE, CourseStatus.ON_HOLD],
                    end_reason="",
                )
                | Q(
                    status__in=[
                        CourseStatus.REVOKED,
                        CourseStatus.COMPLETED,
                        CourseStatus.ENTERED_IN_ERROR,
                    ],
                )
                & ~Q(end_reason=""),
                name="course_end_has_reason",
            ),
        ]
        indexes = [
            models.Index(fields=["chain", "status", "id"], name="course_chain_status"),
        ]

    def __str__(self) -> str:
        return f"course {self.pk}"
