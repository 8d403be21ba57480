"""Files of readings over HTTP: a chain's own layouts, and imports with a dry run first."""

import base64
import binascii
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.fields import VisibleRelatedField
from core.api.idempotency import idempotent
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer
from core.api.viewsets import ListMixin, RetrieveMixin
from devices.api.counter_filters import CounterImportFilter
from devices.api.fields import ChangeIn
from devices.counters import FIELDS
from devices.counters.layout import DELIMITERS, ENCODINGS
from devices.models import CounterImport, CounterLayout
from devices.services import counter_imports as services
from devices.services.counter_imports import MOST_BYTES, ImportReport


class FieldTextsField(serializers.DictField):
    """Texts by the name of a field of a reading."""

    child = serializers.CharField(max_length=120)
    default_error_messages = {"field": "There is no field {name}; there are {known}."}

    def to_internal_value(self, data: Any) -> Any:
        texts = super().to_internal_value(data)
        for name in texts:
            if name not in FIELDS:
                self.fail("field", name=name, known=", ".join(FIELDS))
        return texts


class CounterLayoutOut(RowSerializer):
    """How the chain's own files name the fields of a reading."""

    class Meta:
        model = CounterLayout
        fields = [
            "id",
            "version",
            "name",
            "columns",
            "fixed",
            "delimiter",
            "encoding",
            "time_format",
        ]


class CounterLayoutFields(serializers.Serializer[Any]):
    """A layout: which column has which field."""

    name = serializers.CharField(max_length=120)
    columns = FieldTextsField(help_text=f"Heading of the column of: {', '.join(FIELDS)}")
    fixed = FieldTextsField(help_text="Value of a field without a column")
    delimiter = serializers.CharField(
        max_length=1, trim_whitespace=False, help_text=f"One of {list(DELIMITERS)}"
    )
    encoding = serializers.CharField(max_length=16, help_text=f"One of {list(ENCODINGS)}")
    time_format = serializers.CharField(
        max_length=40, allow_blank=True, help_text="As strptime takes it; empty: ISO 8601"
    )


class CounterLayoutIn(CounterLayoutFields):
    """A new layout."""

    fixed = FieldTextsField(default=dict)
    delimiter = serializers.CharField(max_length=1, trim_whitespace=False, default=",")
    encoding = serializers.CharField(max_length=16, default="utf-8")
    time_format = serializers.CharField(max_length=40, allow_blank=True, default="")


class CounterLayoutChangeIn(ChangeIn, CounterLayoutFields):
    """What to change about a layout."""


class CounterImportIn(serializers.Serializer[Any]):
    """A file of readings, and how to read it."""

    layout = VisibleRelatedField(queryset=CounterLayout.objects.all())
    content_base64 = serializers.CharField(
        max_length=MOST_BYTES * 4 // 3 + 4, help_text="The bytes of the CSV file, in base64"
    )
    dry_run = serializers.BooleanField(help_text="Only say what is wrong; store nothing")

    def validate_content_base64(self, value: str) -> bytes:
        try:
            return base64.b64decode(value, validate=True)
        except (binascii.Error, ValueError) as error:
            raise serializers.ValidationError("This is not base64.", code="base64") from error


class ImportErrorOut(serializers.Serializer[Any]):
    """What is wrong: the heading is row 1; the column is named as the file names it."""

    row = serializers.IntegerField()
    column = serializers.CharField(help_text="Empty: the row or the file as a whole")
    code = serializers.CharField()
    detail = serializers.CharField()


class CounterImportOut(RowSerializer):
    """A file that was taken in, whole."""

    class Meta:
        model = CounterImport
        fields = ["id", "layout", "digest", "rows", "imported_at", "imported_by"]


class ImportReportOut(serializers.Serializer[Any]):
    """What a file has, and what is wrong with it."""

    rows = serializers.IntegerField()
    readings = serializers.IntegerField(help_text="Rows that stand for a reading")
    would_store = serializers.SerializerMethodField()
    error_count = serializers.IntegerField()
    row_errors = ImportErrorOut(source="errors", many=True, help_text="The first 200")
    stored = CounterImportOut(allow_null=True, help_text="Null after a dry run")

    def get_would_store(self, report: ImportReport) -> bool:
        return report.error_count == 0


class CounterLayoutViewSet(ListMixin, RetrieveMixin):
    """How the chain's own files of readings are read."""

    http_method_names = ["get", "post", "patch", "head", "options"]
    queryset = CounterLayout.objects.all()
    serializer_class = CounterLayoutOut
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "create": "counter_layout.write",
        "partial_update": "counter_layout.write",
    }

    @extend_schema(request=CounterLayoutIn, responses={201: CounterLayoutOut})
    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A layout of the chain's own: chain manager or laser safety officer."""
        layout = services.layout_create(fields=self.parse(CounterLayoutIn), actor=self.actor)
        return self.present(layout, status=status.HTTP_201_CREATED)

    @extend_schema(request=CounterLayoutChangeIn, responses=CounterLayoutOut)
    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change a layout: chain manager or laser safety officer."""
        layout = services.layout_change(
            pk=self.get_object().pk,
            changes=self.parse(CounterLayoutChangeIn),
            expected_version=expected_version(request),
            actor=self.actor,
        )
        return self.present(layout)


class CounterImportViewSet(ListMixin, RetrieveMixin):
    """Files of readings that were taken in."""

    http_method_names = ["get", "post", "head", "options"]
    queryset = CounterImport.objects.all()
    serializer_class = CounterImportOut
    filterset_class = CounterImportFilter
    keyset = ("-id",)
    policy = {
        "list": "counter.read",
        "retrieve": "counter.read",
        "create": "counter_import.write",
    }

    @extend_schema(
        request=CounterImportIn,
        responses={200: ImportReportOut, 201: ImportReportOut},
        summary="Import a file of readings",
    )
    @idempotent(required=True)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """Take in a CSV file of readings, or with `dry_run` only say what is wrong with it.

        For the chain manager, the laser safety officer and integrators, at the clinics of the
        devices. One wrong row, and nothing is stored: 422 lists each in `rows`.
        """
        asked = self.parse(CounterImportIn)
        report = services.counters_import(
            layout_id=asked["layout"].pk,
            raw=asked["content_base64"],
            dry_run=asked["dry_run"],
            actor=self.actor,
            now=self.now(),
        )
        if report.stored is None:
            return self.show(ImportReportOut, report)
        where = self.reverse_action("detail", [report.stored.pk])
        return self.show(ImportReportOut, report, status=status.HTTP_201_CREATED, location=where)
