"""Secret addresses at which a diary can be read as a calendar."""

from django.db import models

from clinics.querysets import ResourceScoped
from core.models import Versioned


class CalendarFeed(Versioned):
    """A calendar of one room, laser or member of staff, at an address nobody can guess.

    Only the SHA-256 of the address's token is kept: who lost it gets a new one.
    """

    resource = models.ForeignKey(
        "clinics.Resource", on_delete=models.PROTECT, related_name="calendar_feeds"
    )
    token_digest = models.CharField(max_length=64, unique=True)
    made_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    revoked_at = models.DateTimeField(null=True)

    objects = ResourceScoped.as_manager()

    class Meta:
        ordering = ["id"]
        indexes = [models.Index(fields=["resource"], name="calendarfeed_resource")]

    def __str__(self) -> str:
        return f"calendar feed {self.pk}"
