"""When resources are busy, day by day, as compact rows of bits."""

from django.db import models
from django.db.models.functions import Length
from django.db.models.lookups import Exact

from clinics.models.time import Resource
from clinics.querysets import ResourceScoped


class Occupancy(models.Model):
    """One resource on one UTC day: 288 bits in 36 bytes, one for each 5 minutes, first bit first.

    Bit n (the highest bit of a byte comes first) is 1 when a firm reservation touches the n-th 5
    minutes. Written by the trigger on reservations, in their transaction, and by nothing else.
    It is what searches read; what may be booked the reservations themselves decide. Not in it:
    tentative reservations, which end without a write, and patients, of whom a search asks for
    one. A day without a row is free. `manage.py check_occupancy` compares and mends.
    """

    pk = models.CompositePrimaryKey("resource_id", "day")
    resource = models.ForeignKey(
        Resource, on_delete=models.CASCADE, related_name="occupancy", db_index=False
    )
    day = models.DateField()
    bits = models.BinaryField(max_length=36)

    objects = ResourceScoped.as_manager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Exact(Length("bits"), 36), name="occupancy_bits_of_a_day"
            )
        ]

    def __str__(self) -> str:
        return f"{self.resource_id} {self.day}"
