"""`manage.py erase_patient`: what the operation of the API does, at once and without a worker."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from clinics.access import Actor, Grant
from clinics.vocabulary import Role
from core.errors import DomainError
from courses.models import Patient
from courses.retention import CAUTION
from courses.services.erasure import erasure_ask, erasures_carry_out


class Command(BaseCommand):
    """Erase one patient, or carry out what was asked for."""

    help = (
        "Erase the personal data of one patient; the record goes on under a pseudonym. Without a "
        "patient: carry out the erasures that were asked for. " + CAUTION
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("patient", type=int, nargs="?", help="key of the patient")
        parser.add_argument("--reason", default="", help="kept for ever; names no patient")
        parser.add_argument(
            "--despite-retention",
            action="store_true",
            help="law allows it although the chain's time is not over",
        )

    def handle(self, *_: Any, **options: Any) -> None:
        now = timezone.now()
        if options["patient"] is not None:
            patient = Patient.objects.filter(pk=options["patient"]).first()
            if patient is None:
                raise CommandError("There is no such patient.")
            if not options["reason"].strip():
                raise CommandError("Say why: --reason.")
            try:
                erasure_ask(
                    patient_id=patient.pk,
                    reason=options["reason"].strip(),
                    despite_retention=options["despite_retention"],
                    actor=_operator_of(patient.chain_id),
                    now=now,
                )
            except DomainError as refusal:
                raise CommandError(f"{refusal.detail} {refusal.data or ''}".strip()) from refusal
        self.stdout.write(f"{erasures_carry_out(now=now)} carried out")


def _operator_of(chain_id: int) -> Actor:
    """Whoever runs the command has the database itself; no member of staff is noted."""
    grants = (Grant(role=Role.CHAIN_MANAGER, clinic_id=None),)
    nobody: int = None  # type: ignore[assignment]
    return Actor(user_id=nobody, staff_id=nobody, staff_name="", chain_id=chain_id, grants=grants)
