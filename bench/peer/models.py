"""One table, without a constraint against overlaps."""

from django.db import models


class PlainBooking(models.Model):
    course = models.ForeignKey("courses.Course", on_delete=models.PROTECT, related_name="+")
    room = models.ForeignKey("clinics.Room", on_delete=models.PROTECT, related_name="+")
    operator = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    laser = models.ForeignKey("devices.Laser", on_delete=models.PROTECT, related_name="+")
    handpiece = models.ForeignKey("devices.Handpiece", on_delete=models.PROTECT, related_name="+")
    starts_at = models.DateTimeField(db_index=True)
    ends_at = models.DateTimeField()
    made_at = models.DateTimeField(auto_now_add=True)
    cancelled_at = models.DateTimeField(null=True)

    class Meta:
        app_label = "peer"

    def __str__(self) -> str:
        return f"{self.pk}"


class PlainAddress(models.Model):
    patient = models.ForeignKey(
        "courses.Patient", on_delete=models.CASCADE, related_name="plain_addresses"
    )
    address = models.CharField(max_length=254, db_index=True)

    class Meta:
        app_label = "peer"

    def __str__(self) -> str:
        return f"{self.pk}"
