"""What a problem's `type` leads to: a word on each code that the domain can answer with."""

from collections.abc import Iterator
from typing import Any

from django.http import Http404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from core.api.permissions import PUBLIC
from core.api.translation import status_of
from core.api.views import FallowView
from core.errors import DomainError


class ProblemTypeOut(serializers.Serializer[Any]):
    """One code of a problem document."""

    code = serializers.CharField()
    status = serializers.IntegerField()
    title = serializers.CharField()
    meaning = serializers.CharField()


class ProblemType(FallowView):
    """Says what a code means."""

    policy = {"get": PUBLIC}
    authentication_classes = ()

    @extend_schema(exclude=True)
    def get(self, request: Request, code: str) -> Response:
        for kind in kinds(DomainError):
            if kind.code == code:
                return self.show(ProblemTypeOut, _told(kind))
        raise Http404


def kinds(base: type[DomainError]) -> Iterator[type[DomainError]]:
    """Every error that stands under `base`, nearest first."""
    for kind in base.__subclasses__():
        yield kind
        yield from kinds(kind)


def _told(kind: type[DomainError]) -> dict[str, Any]:
    return {
        "code": kind.code,
        "status": status_of(kind).value,
        "title": kind.title,
        "meaning": (kind.__doc__ or kind.title).strip().splitlines()[0],
    }
