"""Write all that is kept about one patient."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone
from rest_framework.utils.encoders import JSONEncoder

from courses.models import Patient
from courses.selectors.patient_export import patient_export


class Command(BaseCommand):
    """One JSON document: every row of the record, its history, and who has read it."""

    help = "Writes all that is kept about one patient to standard output, as JSON."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("patient", type=int, help="key of the patient")

    def handle(self, *_: Any, **options: Any) -> None:
        patient = Patient.objects.filter(pk=options["patient"]).first()
        if patient is None:
            raise CommandError("There is no such patient.")
        found = patient_export(patient_id=patient.pk, actor=patient, now=timezone.now())
        self.stdout.write(json.dumps(found, cls=JSONEncoder, ensure_ascii=False, indent=1))
