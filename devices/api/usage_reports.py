"""Reports of usage over HTTP, as JSON or CSV."""

from datetime import timedelta
from typing import Any, Final

from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.csv_text import CONTENT_TYPE, CsvRenderer, csv_text
from core.api.fields import AwareDateTimeField
from core.api.filters import parsed_query
from core.api.preconditions import etag, unless_known
from core.api.schema import FILE_NAME
from core.api.serializers import ComputedOut
from core.api.views import FallowView
from core.spans import Span
from core.vocabulary import choices
from devices.api.computed import CAUTION, USAGE
from devices.selectors.usage_report import UsageQuestion, UsageRow, columns_of, usage_report
from devices.vocabulary import ReportFormat, UsageGroup

LONGEST: Final = timedelta(days=1100)
NARROWED: Final = ("clinic", "laser", "handpiece", "line", "operator")
MOST_KEY: Final = 10**18


class UsageReportQuery(serializers.Serializer[Any]):
    """From when (included) to when (excluded), split by what, of whom."""

    to = AwareDateTimeField(help_text="Excluded.")
    group_by = serializers.CharField(
        required=False,
        default="",
        allow_blank=True,
        help_text=f"Any of {', '.join(UsageGroup)}, with commas; without it, the whole",
    )
    format = serializers.ChoiceField(
        choices=choices(ReportFormat), required=False, help_text="Overrides Accept"
    )

    def get_fields(self) -> dict[str, Any]:
        keys = {
            name: serializers.IntegerField(required=False, min_value=1, max_value=MOST_KEY)
            for name in NARROWED
        }
        return {"from": AwareDateTimeField(help_text="Included."), **super().get_fields(), **keys}

    def validate_group_by(self, text: str) -> tuple[UsageGroup, ...]:
        names = [name.strip() for name in text.split(",") if name.strip()]
        if not {*names} <= {*map(str, UsageGroup)} or len({*names}) < len(names):
            said = f"Each once, of: {', '.join(UsageGroup)}."
            raise serializers.ValidationError(said, code="invalid")
        return tuple(UsageGroup(name) for name in names)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if attrs["to"] <= attrs["from"]:
            raise serializers.ValidationError({"to": "The end must be after the start."})
        if attrs["to"] - attrs["from"] > LONGEST:
            said = f"A report spans at most {LONGEST.days} days."
            raise serializers.ValidationError({"to": said})
        return attrs


class UsageTotalOut(serializers.Serializer[Any]):
    """Pulses, corrections included, and firings, corrections not counted."""

    pulses = serializers.IntegerField()
    entries = serializers.IntegerField()


class UsageReportOut(ComputedOut):
    """Rows that add up to the total; each has the values of its groups, `pulses`, `entries`."""

    start = AwareDateTimeField()
    end = AwareDateTimeField(help_text="Excluded.")
    columns = serializers.ListField(child=serializers.CharField())
    total = UsageTotalOut()
    rows = serializers.ListField(child=serializers.DictField())


class UsageReportView(FallowView):
    """Usage of the chain's lasers."""

    policy = {"get": "pulse_entry.read"}
    renderer_classes = (JSONRenderer, CsvRenderer)
    extra_query_params = ("from", "to", "group_by", "format", *NARROWED)

    @extend_schema(
        parameters=[UsageReportQuery, FILE_NAME],
        responses={(200, "application/json"): UsageReportOut, (200, "text/csv"): OpenApiTypes.STR},
        summary="Usage of lasers, grouped as asked",
    )
    def get(self, request: Request) -> Response | HttpResponse:
        """Pulses by clinic, laser, handpiece, line, operator, purpose, day, week and month.

        As JSON or CSV (RFC 4180), by Accept or `format`; in CSV a text that a spreadsheet would
        take for a formula begins with an apostrophe. From the ledger alone: a correction counts
        where its entry counts. A laser counts for the clinic where it stands now. Everyone but
        the front desk may ask.
        """
        asked = parsed_query(UsageReportQuery, request)
        span = Span(asked["from"], asked["to"])
        only: dict[str, int] = {name: asked[name] for name in NARROWED if name in asked}
        question = UsageQuestion(span, asked["group_by"], only)
        rows = usage_report(question, actor=self.actor)
        columns = [*columns_of(question.groups), "pulses", "entries"]
        accepted = getattr(request, "accepted_renderer", None)
        form = asked.get("format") or ("csv" if isinstance(accepted, CsvRenderer) else "json")
        if form == ReportFormat.CSV:
            table = [[*row.values.values(), row.pulses, row.entries] for row in rows]
            answer = HttpResponse(csv_text(columns, table), content_type=CONTENT_TYPE)
            answer.headers["Content-Disposition"] = 'attachment; filename="usage.csv"'
            return unless_known(request, answer, etag(None, [columns, table]))
        request.accepted_renderer = JSONRenderer()
        return self.show(UsageReportOut, _answer(span, columns=columns, rows=rows))


def _answer(span: Span, *, columns: list[str], rows: list[UsageRow]) -> dict[str, Any]:
    return {
        "start": span.start,
        "end": span.end,
        "columns": columns,
        "total": {
            "pulses": sum(row.pulses for row in rows),
            "entries": sum(row.entries for row in rows),
        },
        "rows": [{**row.values, "pulses": row.pulses, "entries": row.entries} for row in rows],
        "basis": [USAGE],
        "caution": CAUTION,
    }
