"""All that is kept about one patient, over HTTP."""

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import AwareDateTimeField
from core.api.views import FallowView
from courses.selectors.patient_export import patient_export


class PatientExportOut(serializers.Serializer[Any]):
    """Everything about one patient, as it is stored."""

    patient = serializers.IntegerField()
    exported_at = AwareDateTimeField()
    records = serializers.DictField(
        child=serializers.ListField(child=serializers.DictField()),
        help_text="Kind of row -> its rows, with their columns by name",
    )
    changes = serializers.ListField(child=serializers.DictField(), help_text="What was changed")
    reads = serializers.ListField(child=serializers.DictField(), help_text="Who has read it")


class PatientExportView(FallowView):
    """The record of one patient, whole."""

    policy = {"get": "patient.export"}
    shows = "courses.Patient"

    @extend_schema(responses=PatientExportOut, summary="Export all about a patient")
    def get(self, request: Request, pk: int) -> Response:
        """Every row of the patient's record with its history and who has read it, as JSON.

        For the patient who asks for a copy. For chain managers and treating clinicians; that it
        was read is noted.
        """
        found = patient_export(patient_id=pk, actor=self.actor, now=self.now())
        return self.show(PatientExportOut, found)
