"""A tiny invented app for the kernel's tests: benches, their parts and a ledger."""

# ruff: noqa: RUF012

from types import SimpleNamespace
from typing import Any

import django_filters
from django.db import models
from django.urls import include, path
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework import serializers
from rest_framework.authentication import BaseAuthentication
from rest_framework.decorators import action
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from core.api.idempotency import idempotent
from core.api.permissions import PUBLIC
from core.api.preconditions import expected_version
from core.api.serializers import RowSerializer, SpanIn, span_of
from core.api.urls import root_urlpatterns
from core.api.urls import urlpatterns as kernel_urls
from core.api.views import FallowView
from core.api.viewsets import ReferenceViewSet
from core.db import command, constraint_as, lock_rows
from core.errors import Conflict, Forbidden, Refused
from core.models import AppendOnly, Versioned


class BenchQuerySet(models.QuerySet):
    def visible_to(self, actor):
        return self.filter(chain_id=actor.chain_id)


class Bench(Versioned):
    chain_id = models.IntegerField(default=1)
    name = models.CharField(max_length=40)
    stands_since = models.DateTimeField()
    note = models.CharField(max_length=40, null=True, blank=True)  # noqa: DJ001

    objects = BenchQuerySet.as_manager()

    class Meta:
        app_label = "benches"
        constraints = [
            models.UniqueConstraint(fields=["chain_id", "name"], name="bench_name_once"),
            models.CheckConstraint(condition=~models.Q(name="cursed"), name="bench_not_cursed"),
        ]


class Part(Versioned):
    bench = models.ForeignKey(Bench, on_delete=models.PROTECT, related_name="parts")

    class Meta:
        app_label = "benches"


class Entry(AppendOnly):
    amount = models.IntegerField()

    class Meta:
        app_label = "benches"


class NameTaken(Conflict):
    code = "bench_name_taken"
    title = "Another bench has this name"


class BenchTooOld(Refused):
    code = "bench_too_old"
    title = "This bench is too old"


@command
def bench_create(*, name: str, stands_since: Any, chain_id: int = 1) -> Bench:
    bench = Bench(name=name, stands_since=stands_since, chain_id=chain_id)
    with constraint_as(bench_name_once=NameTaken(name=name)):
        bench.save(force_insert=True)
    return bench


@command
def bench_rename(*, pk: int, name: str, expected: int | None) -> Bench:
    [bench] = lock_rows(Bench.objects.filter(pk=pk))
    bench.check_version(expected)
    bench.name = name
    bench.save()
    return bench


class Caller(SimpleNamespace):
    staff_id = 1

    def admit(self, action: str) -> None:
        if action not in self.allowed:
            raise Forbidden


class NamedAuthentication(BaseAuthentication):
    """`Authorization: Test <user> <chain> <actions, comma-separated>`."""

    def authenticate(self, request):
        header = request.headers.get("Authorization", "")
        if not header.startswith("Test "):
            return None
        _, user, chain, allowed = header.split(" ")
        request.actor = Caller(chain_id=int(chain), allowed=allowed.split(","))
        return SimpleNamespace(pk=user, is_authenticated=True), None

    def authenticate_header(self, request):
        return "Test"


class NamedScheme(OpenApiAuthenticationExtension):
    target_class = NamedAuthentication
    name = "token"

    def get_security_definition(self, auto_schema):
        return {"type": "http", "scheme": "bearer"}


class BenchOut(RowSerializer):
    class Meta:
        model = Bench
        fields = ["id", "name", "stands_since", "note", "version"]


class BenchFilter(django_filters.FilterSet):
    class Meta:
        model = Bench
        fields = ["name"]

    stands_since = django_filters.IsoDateTimeFromToRangeFilter()
    least = django_filters.NumberFilter(field_name="id", lookup_expr="gte")


class LineIn(serializers.Serializer):
    length_mm = serializers.FloatField(min_value=0)


class PlanIn(SpanIn):
    lines = LineIn(many=True)


class BenchViewSet(ReferenceViewSet):
    authentication_classes = [NamedAuthentication]
    queryset = Bench.objects.all()
    serializer_class = BenchOut
    filterset_class = BenchFilter
    keyset = ("stands_since", "id")
    throttle_scope = "benches"
    policy = {
        "list": "bench.read",
        "retrieve": "bench.read",
        "create": "bench.write",
        "partial_update": "bench.write",
        "destroy": "bench.write",
        "build": "bench.write",
        "rename": "bench.write",
        "plan": PUBLIC,
    }
    log: list[str] = []

    def owned(self):
        return {"chain_id": self.actor.chain_id}

    @action(detail=False, methods=["post"])
    @idempotent(required=True)
    def build(self, request):
        values = self.parse(BenchOut)
        self.log.append(values["name"])
        bench = bench_create(
            name=values["name"],
            stands_since=values["stands_since"],
            chain_id=self.actor.chain_id,
        )
        if values["name"] == "ancient":
            raise BenchTooOld(rules=[{"id": "age", "reason": "older than the house"}])
        if values["name"] == "doubtful":
            return Response({"said": "no"}, status=409)
        return self.present(bench, status=201)

    @action(detail=True, methods=["post"])
    def rename(self, request, pk):
        expected = expected_version(request)
        return self.present(bench_rename(pk=int(pk), name=request.data["name"], expected=expected))

    @action(detail=False, methods=["post"], extra_query_params=("loud",))
    def plan(self, request):
        values = self.parse(PlanIn)
        return Response({"seconds": span_of(values).duration.total_seconds()})


class Broken(FallowView):
    """Raises what a test puts in."""

    authentication_classes = [NamedAuthentication]
    policy = {"get": PUBLIC}
    error: Exception = RuntimeError("secret internals")

    def get(self, request):
        raise type(self).error


class Undeclared(FallowView):
    authentication_classes = [NamedAuthentication]
    policy = {}

    def get(self, request):
        return Response({})


router = SimpleRouter(trailing_slash=False)
router.register("benches", BenchViewSet, basename="bench")
urlpatterns = [
    path("api/", include(router.urls)),
    path("api/", include(kernel_urls)),
    path("", include(root_urlpatterns)),
    path("broken", Broken.as_view()),
    path("undeclared", Undeclared.as_view()),
]
handler400 = "core.api.problems.bad_request"
handler403 = "core.api.problems.forbidden"
handler404 = "core.api.problems.not_found"
handler500 = "core.api.problems.server_error"
