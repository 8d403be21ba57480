"""Whether this process lives, and whether it can do its work."""

from functools import cache
from typing import Any

from django.conf import settings
from django.db import DatabaseError, InterfaceError, connection
from django.db.migrations.executor import MigrationExecutor
from django.utils import timezone
from django.utils.module_loading import import_string
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from core import jobs
from core.api.permissions import PUBLIC
from core.api.views import FallowView


class HealthOut(serializers.Serializer[Any]):
    """How the service is."""

    status = serializers.ChoiceField(choices=["ok", "degraded", "down"])
    database = serializers.BooleanField(required=False)
    migrations = serializers.BooleanField(required=False, help_text="All are applied")
    broker = serializers.BooleanField(
        required=False, help_text="Without it recalls still go out, on the next tick"
    )
    queue_lag_s = serializers.FloatField(
        required=False, help_text="How long what is due longest has waited, in seconds"
    )


class Live(FallowView):
    """The process answers; it asks nothing of anyone else."""

    policy = {"get": PUBLIC}
    untagged = ("get",)
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(operation_id="health_live", responses=HealthOut)
    def get(self, request: Request) -> Response:
        return Response({"status": "ok"})


class Ready(FallowView):
    """The database is there and migrated (else 503).

    A missing broker or work that is late only degrades: this process answers as well as ever.
    """

    policy = {"get": PUBLIC}
    untagged = ("get",)
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(operation_id="health_ready", responses={200: HealthOut, 503: HealthOut})
    def get(self, request: Request) -> Response:
        database = database_reachable()
        ready = database and migrated()
        broker = jobs.broker_reachable()
        parts = {"database": database, "migrations": ready, "broker": broker}
        if not ready:
            return Response({"status": "down", **parts}, status=status.HTTP_503_SERVICE_UNAVAILABLE)
        lag = queue_lag_s()
        well = broker and lag <= settings.FALLOW_LATE_SECONDS
        return Response({"status": "ok" if well else "degraded", **parts, "queue_lag_s": lag})


def database_reachable() -> bool:
    """Whether the database answers a query."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except (DatabaseError, InterfaceError):
        connection.close()
        return False
    return True


def queue_lag_s() -> float:
    """How long the row that is due longest has waited, in seconds; asked of an upper app."""
    waited: float = import_string(settings.FALLOW_QUEUE_LAG)(now=timezone.now())
    return waited


def migrated() -> bool:
    """Whether every migration of this code is applied; once true it stays so."""
    if _all_applied():
        return True
    _all_applied.cache_clear()
    return False


@cache
def _all_applied() -> bool:
    executor = MigrationExecutor(connection)
    return not executor.migration_plan(executor.loader.graph.leaf_nodes())
