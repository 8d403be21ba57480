"""The printed logbook of a laser over HTTP."""

from datetime import timedelta
from typing import Any, Final

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from core.api.fields import AwareDateTimeField
from core.api.filters import parsed_query
from core.api.schema import FILE_NAME
from core.api.views import FallowView
from core.spans import Span
from devices.api.computed import CAUTION
from devices.errors import LaserUnknown
from devices.logbook import logbook_pdf
from devices.models import Laser
from devices.selectors.logbook import logbook_of

LONGEST: Final = timedelta(days=367)
MEDIA_TYPE: Final = "application/pdf"


class PdfRenderer(JSONRenderer):
    """Lets a caller accept PDF; a problem stays JSON."""

    media_type = MEDIA_TYPE
    format = "pdf"


class LogbookQuery(serializers.Serializer[Any]):
    """From when (included) to when (excluded)."""

    to = AwareDateTimeField(help_text="Excluded.")

    def get_fields(self) -> dict[str, Any]:
        return {"from": AwareDateTimeField(help_text="Included."), **super().get_fields()}

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["to"] <= attrs["from"]:
            raise serializers.ValidationError({"to": "The end must be after the start."})
        if attrs["to"] - attrs["from"] > LONGEST:
            raise serializers.ValidationError({"to": f"At most {LONGEST.days} days."})
        return attrs


class LogbookView(FallowView):
    """The logbook of one laser."""

    policy = {"get": "logbook.print"}
    untagged = ("get",)
    renderer_classes = (PdfRenderer, JSONRenderer)
    extra_query_params = ("from", "to")

    @extend_schema(
        parameters=[LogbookQuery, FILE_NAME],
        responses={(200, MEDIA_TYPE): OpenApiTypes.BINARY},
        summary="Print the logbook of a laser",
    )
    def get(self, request: Request, pk: int) -> HttpResponse:
        """A PDF of ledger with digests, corrections, checks, services, parts and lock-outs.

        With lines for signatures. A year and 20 000 entries at most. For the laser safety
        officer, the chain manager and integrators.
        """
        rows = Laser.objects.visible_to(self.actor).filter(pk=pk)
        laser = rows.select_related("clinic", "chain", "laser_model").first()
        if laser is None:
            raise LaserUnknown(laser=pk)
        asked = parsed_query(LogbookQuery, request)
        book = logbook_of(
            laser,
            span=Span(asked["from"], asked["to"]),
            now=self.now(),
            printed_by=self.actor.staff_name,
            caution=CAUTION,
        )
        answer = HttpResponse(logbook_pdf(book), content_type=MEDIA_TYPE)
        answer.headers["Content-Disposition"] = f'attachment; filename="logbook-{laser.pk}.pdf"'
        return answer
