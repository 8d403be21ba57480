"""What a problem's `type` leads to: a word on its code, for people as a page."""

from typing import Any

from django.http import Http404, HttpResponse
from django.template.loader import render_to_string
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.permissions import PUBLIC
from core.api.problem_kinds import phrase, problem_kind
from core.api.views import FallowView


class ProblemTypeOut(serializers.Serializer[Any]):
    """One code of a problem document."""

    code = serializers.CharField()
    statuses = serializers.ListField(child=serializers.IntegerField())
    title = serializers.CharField()
    meaning = serializers.CharField()
    advice = serializers.CharField()


class PageRenderer(JSONRenderer):
    """What the view lists to answer with a page, which it makes itself; a problem stays JSON."""

    media_type = "text/html"
    format = "html"


class ProblemType(FallowView):
    """Says what a code means, and what to do about it."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    renderer_classes = (JSONRenderer, PageRenderer)

    @extend_schema(exclude=True)
    def get(self, request: Request, code: str) -> Response | HttpResponse:
        kind = problem_kind(code)
        if kind is None:
            raise Http404
        if isinstance(getattr(request, "accepted_renderer", None), PageRenderer):
            context = {
                "kind": kind,
                "meaning": _with_code(kind.meaning),
                "advice": _with_code(kind.advice()),
                "statuses": [phrase(status) for status in kind.statuses],
            }
            page = render_to_string("problems/type.html", context)
            return HttpResponse(page, headers={"Vary": "Accept"})
        return self.show(ProblemTypeOut, kind)


def _with_code(text: str) -> SafeString:
    """The text, with what stands between backticks as code."""
    parts = enumerate(text.split("`"))
    told = ((format_html("<code>{}</code>", part) if n % 2 else part,) for n, part in parts)
    return format_html_join("", "{}", told)
