"""Whether this process lives, and whether it can do its work."""

from functools import cache
from typing import Any

from django.db import DatabaseError, InterfaceError, connection
from django.db.migrations.executor import MigrationExecutor
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


class Live(FallowView):
    """The process answers; it asks nothing of anyone else."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(operation_id="health_live", responses=HealthOut)
    def get(self, request: Request) -> Response:
        return Response({"status": "ok"})


class Ready(FallowView):
    """The database is there and migrated (else 503); a missing broker only degrades."""

    policy = {"get": PUBLIC}
    authentication_classes = ()
    throttle_classes = ()

    @extend_schema(operation_id="health_ready", responses={200: HealthOut, 503: HealthOut})
    def get(self, request: Request) -> Response:
        parts = {
            "database": database_reachable(),
            "migrations": False,
            "broker": jobs.broker_reachable(),
        }
        parts["migrations"] = parts["database"] and migrated()
        ready = parts["database"] and parts["migrations"]
        word = "down" if not ready else "ok" if parts["broker"] else "degraded"
        code = status.HTTP_200_OK if ready else status.HTTP_503_SERVICE_UNAVAILABLE
        return Response({"status": word, **parts}, status=code)


def database_reachable() -> bool:
    """Whether the database answers a query."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except (DatabaseError, InterfaceError):
        connection.close()
        return False
    return True


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
