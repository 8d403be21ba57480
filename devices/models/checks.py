"""Energy meters, and what lasers were measured to deliver with them."""

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q

from clinics.querysets import ChainScoped
from core.constraints import not_before, one_of, positive
from core.models import AppendOnly, Versioned
from core.vocabulary import DeviceStatus, choices
from devices.models.handpieces import Handpiece
from devices.models.lasers import EmissionLine, Laser
from devices.querysets import EnergyCheckQuerySet


class Meter(Versioned):
    """An energy meter, with the certificate of its own calibration."""

    chain = models.ForeignKey("clinics.Chain", on_delete=models.PROTECT, related_name="meters")
    name = models.CharField(max_length=120)
    serial = models.CharField(max_length=80)
    certificate_number = models.CharField(max_length=80)
    certified_on = models.DateField()
    certificate_valid_until = models.DateField(help_text="Last day on which it counts")
    status = models.CharField(
        max_length=20, choices=choices(DeviceStatus), default=DeviceStatus.ACTIVE
    )

    objects = ChainScoped.as_manager()

    class Meta:
        ordering = ["name", "serial"]
        constraints = [
            models.UniqueConstraint(fields=["chain", "serial"], name="meter_serial_once_per_chain"),
            one_of("status", DeviceStatus, name="meter_status_known"),
            not_before("certificate_valid_until", "certified_on", name="meter_certificate_ordered"),
        ]

    def __str__(self) -> str:
        return f"{self.name} {self.serial}"


class EnergyCheck(AppendOnly):
    """Readings of one setting with a meter, and what they say. It is never changed.

    Energies in J, spots in mm; `deviation` of the mean from the setting as a fraction. One that
    was entered in error is voided by a row of its own.
    """

    laser = models.ForeignKey(Laser, on_delete=models.PROTECT, related_name="energy_checks")
    line = models.ForeignKey(EmissionLine, on_delete=models.PROTECT, related_name="energy_checks")
    handpiece = models.ForeignKey(Handpiece, on_delete=models.PROTECT, related_name="energy_checks")
    meter = models.ForeignKey(Meter, on_delete=models.PROTECT, related_name="energy_checks")
    certificate_number = models.CharField(max_length=80, help_text="The meter's at that time")
    certified_on = models.DateField()
    certificate_valid_until = models.DateField()
    checked_at = models.DateTimeField()
    checked_by = models.ForeignKey(
        "clinics.StaffMember", on_delete=models.PROTECT, related_name="+"
    )
    set_energy_j = models.FloatField()
    readings_j = ArrayField(models.FloatField())
    spot_mm = models.FloatField(help_text="Spot that was set")
    spot_measured_mm = models.FloatField(null=True)
    mean_j = models.FloatField()
    spread_j = models.FloatField(help_text="Standard deviation of the readings")
    deviation = models.FloatField()
    tolerance = models.FloatField()
    passed = models.BooleanField()
    note = models.CharField(max_length=400, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)

    objects = EnergyCheckQuerySet.as_manager()

    class Meta:
        ordering = ["-checked_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(readings_j__len__gte=3), name="energycheck_three_readings"
            ),
            positive("set_energy_j", name="energycheck_setting_positive"),
            positive("spot_mm", name="energycheck_spot_positive"),
            positive("spot_measured_mm", name="energycheck_spot_measured_positive"),
            models.CheckConstraint(
                condition=Q(tolerance__gt=0, tolerance__lte=0.2), name="energycheck_tolerance_legal"
            ),
        ]
        indexes = [
            models.Index(
                fields=["laser", "line", "handpiece", "checked_at"], name="energycheck_of_line"
            ),
            models.Index(fields=["laser", "checked_at"], name="energycheck_of_laser"),
        ]

    def __str__(self) -> str:
        return f"{self.mean_j} J of {self.set_energy_j} J"


class EnergyCheckVoid(AppendOnly):
    """An energy check was entered in error: it stays, and counts no longer."""

    check_row = models.OneToOneField(EnergyCheck, on_delete=models.PROTECT, related_name="void")
    reason = models.CharField(max_length=400)
    voided_by = models.ForeignKey("clinics.StaffMember", on_delete=models.PROTECT, related_name="+")
    voided_at = models.DateTimeField()

    objects = models.Manager["EnergyCheckVoid"]()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(reason=""), name="energycheckvoid_has_reason")
        ]

    def __str__(self) -> str:
        return f"void of {self.check_row_id}"
