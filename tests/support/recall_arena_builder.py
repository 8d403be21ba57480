"""Builds the patients inside a process of the service: see `recall_arena`."""

import os
from dataclasses import replace
from datetime import timedelta
from functools import partial

from django.utils import timezone

from core.db import unit
from tests.support.courses import make_course, make_patient, make_tattoo, make_ward
from tests.support.recalls import make_scene


def main() -> None:
    """As many as the environment asks for."""
    unit(partial(build, int(os.environ["ARENA"])))


def build(number: int) -> None:
    """Patients of one ward, treated sixty days ago, who never sleep."""
    ward = make_ward()
    treated_at = timezone.now() - timedelta(days=60)
    for place in range(number):
        by_sms = place % 3 > 0
        contact = {"channel": "sms", "address": f"+4915{place:08}"} if by_sms else {}
        patient = make_patient(ward.clinic)
        make_scene(
            replace(ward, course=make_course(make_tattoo(patient))),
            treated_at=treated_at,
            quiet_from="00:00",
            quiet_until="00:00",
            **contact,
        )
