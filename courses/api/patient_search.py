"""Patients found by exactly the address at which they are reached."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.views import FallowView
from core.reads import note_reads
from courses.api.patients import CONTACT_POINTS, PatientOut
from courses.models import Patient
from courses.selectors.contact_search import patients_reached_at
from courses.services.contact_address import addresses_sought
from courses.vocabulary import Channel

MOST_FOUND: Final = 20


class PatientSearchIn(serializers.Serializer[Any]):
    """Exactly one address at which the patient is reached."""

    phone = serializers.CharField(
        max_length=40,
        required=False,
        help_text="With its country code, or as dialled in a country of the chain",
    )
    email = serializers.CharField(max_length=254, required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """One of the two."""
        if len(attrs) != 1:
            raise serializers.ValidationError(
                {"email": "Send either a phone number or an e-mail address."}, code="one_of"
            )
        return attrs


class PatientsFoundOut(serializers.Serializer[Any]):
    """The patients who are reached there; a family may share a number."""

    items = PatientOut(many=True)


class PatientSearchView(FallowView):
    """Who is reached at an address."""

    policy = {"post": "contact_point.read"}

    @extend_schema(
        request=PatientSearchIn, responses=PatientsFoundOut, summary="Find patients by address"
    )
    def post(self, request: Request) -> Response:
        """Who is reached at exactly this phone number or e-mail address: 20 at most.

        A POST, so that the number stands in no log of addresses. For the front desk, treating
        clinicians and integrators; whose records were shown is noted.
        """
        [(name, given)] = self.parse(PatientSearchIn).items()
        countries = Clinic.objects.visible_to(self.actor).values_list("country", flat=True)
        addresses = addresses_sought(
            given,
            channel=Channel.EMAIL if name == "email" else Channel.PHONE,
            countries=countries.distinct(),
            pointer=f"/{name}",
        )
        found = patients_reached_at(addresses, actor=self.actor)
        shown = list(found.prefetch_related(CONTACT_POINTS).order_by("id")[:MOST_FOUND])
        note_reads(
            Patient,
            keys=[patient.pk for patient in shown],
            actor=self.actor,
            operation="patient-search",
            now=self.now(),
        )
        return self.show(PatientsFoundOut, {"items": shown})
