"""Finding patients. By POST, so that nobody's name or number stands in a log of addresses."""

from typing import Any, Final

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from clinics.models import Clinic
from core.api.fields import VisibleRelatedField
from core.api.keyset import Keyset
from core.api.searches import FoundOut, SearchIn, page_found
from core.api.views import FallowView
from courses.api.patients import CONTACT_POINTS, PatientOut
from courses.selectors.patient_search import patients_reached_at, patients_sought
from courses.services.contact_address import addresses_sought
from courses.vocabulary import Channel

BY_NAME: Final = Keyset.parse(("family_name", "given_name", "id"))
MOST_REACHED: Final = 20


class PatientSearchIn(SearchIn):
    """What is known of the patient: a name, a birth date, or both."""

    name = serializers.CharField(
        max_length=170,
        required=False,
        help_text="Beginnings of family and given name, in any order, with accents or without",
    )
    birth_date = serializers.DateField(required=False)
    home_clinic = VisibleRelatedField(
        queryset=Clinic.objects.all(), required=False, help_text="Only patients of this clinic"
    )

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """Something that is true of few."""
        if not attrs.keys() & {"name", "birth_date"}:
            raise serializers.ValidationError(
                {"name": "Send a name, a birth date, or both."}, code="required"
            )
        return attrs


class PatientsFoundOut(FoundOut):
    """The patients of whom it is true, in the order of their names."""

    items = PatientOut(many=True)


class PatientSearchView(FallowView):
    """Who is called so, and was born then."""

    policy = {"post": "patient.read"}
    shows = "courses.Patient"

    @extend_schema(request=PatientSearchIn, responses=PatientsFoundOut, summary="Find patients")
    def post(self, request: Request) -> Response:
        """Patients by the beginnings of their names, by birth date, or by both.

        For whoever may read patients; whose records were shown is noted. For the next page send
        the same again with `cursor`.
        """
        sought = self.parse(PatientSearchIn)
        rows = patients_sought(
            actor=self.actor,
            name=sought.get("name", ""),
            birth_date=sought.get("birth_date"),
            clinic=sought.get("home_clinic"),
        )
        page = page_found(
            rows.prefetch_related(CONTACT_POINTS),
            BY_NAME,
            request=request,
            limit=sought["limit"],
            cursor=sought["cursor"],
        )
        self.shown = [patient.pk for patient in page.rows]
        return self.show(
            PatientsFoundOut,
            {
                "items": page.rows,
                "next_cursor": page.next_cursor,
                "previous_cursor": page.previous_cursor,
            },
        )


class ContactPointSearchIn(serializers.Serializer[Any]):
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


class PatientsReachedOut(serializers.Serializer[Any]):
    """The patients who are reached there; a family may share a number."""

    items = PatientOut(many=True)


class ContactPointSearchView(FallowView):
    """Who is reached at an address."""

    policy = {"post": "contact_point.read"}
    shows = "courses.Patient"

    @extend_schema(
        request=ContactPointSearchIn,
        responses=PatientsReachedOut,
        summary="Find patients by phone number or e-mail address",
    )
    def post(self, request: Request) -> Response:
        """Who is reached at exactly this phone number or e-mail address: 20 at most.

        For the front desk, treating clinicians and integrators; whose records were shown is
        noted.
        """
        [(name, given)] = self.parse(ContactPointSearchIn).items()
        countries = Clinic.objects.visible_to(self.actor).values_list("country", flat=True)
        addresses = addresses_sought(
            given,
            channel=Channel.EMAIL if name == "email" else Channel.PHONE,
            countries=countries.distinct(),
            pointer=f"/{name}",
        )
        found = patients_reached_at(addresses, actor=self.actor)
        reached = list(found.prefetch_related(CONTACT_POINTS).order_by("id")[:MOST_REACHED])
        self.shown = [patient.pk for patient in reached]
        return self.show(PatientsReachedOut, {"items": reached})
