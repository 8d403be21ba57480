"""The base of every endpoint: a policy, strict parameters, quotas and strict JSON."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from functools import partial
from typing import Any, ClassVar

from django.utils import timezone
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from core.api.body import refuse_unknown_fields
from core.api.filters import refuse_unknown_parameters
from core.api.parsers import StrictJSONParser
from core.api.permissions import PolicyPermission
from core.api.schema import FallowSchema
from core.api.throttling import QuotaThrottle
from core.db import reading, unit, within_chain


class FallowView(APIView):
    """A plain endpoint. `policy` maps each method ("get", "post") to a policy key.

    `extra_query_params` names the query parameters it reads; any other is refused.
    `throttle_scope` names its quota when it has one of its own; `throttle_scopes` does so for
    single actions of a viewset.
    """

    policy: ClassVar[Mapping[str, str]] = {}
    extra_query_params: Collection[str] = ()
    permission_classes: Any = (PolicyPermission,)
    parser_classes: Any = (StrictJSONParser,)
    throttle_classes: Any = (QuotaThrottle,)
    schema = FallowSchema()

    @property
    def actor(self) -> Any:
        """Whoever asks, set by the authentication class."""
        return self.request.actor  # type: ignore[attr-defined]

    def now(self) -> datetime:
        """The instant that services and selectors are given as "now"."""
        return timezone.now()

    def parse(
        self, serializer_class: type[BaseSerializer[Any]], *, data: Any = None
    ) -> dict[str, Any]:
        """Validated data of the body (or of `data`). Raises a validation error for the caller."""
        body = self.request.data if data is None else data
        serializer = serializer_class(data=body, context=self._context())
        refuse_unknown_fields(serializer, body)
        serializer.is_valid(raise_exception=True)
        validated: dict[str, Any] = serializer.validated_data
        return validated

    def show(
        self,
        serializer_class: type[BaseSerializer[Any]],
        value: Any,
        *,
        many: bool = False,
        status: int = 200,
    ) -> Response:
        """An answer that is not a row of its own: a calculation, a report, a search."""
        serializer = serializer_class(value, many=many, context=self._context())
        return Response(serializer.data, status=status)

    def query_names(self) -> Collection[str]:
        """The query parameters that this request may have."""
        return self.extra_query_params

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        refuse_unknown_parameters(request, self.query_names())
        self._confine((request.method or "").lower())

    def finalize_response(
        self, request: Request, response: Any, *args: Any, **kwargs: Any
    ) -> Response:
        answer = super().finalize_response(request, response, *args, **kwargs)
        quota = getattr(request, "quota", None)
        if quota is not None:
            for name, value in quota.headers().items():
                answer.headers[name] = value
        return answer

    def _confine(self, name: str) -> None:
        """Let the method that answers see the rows of the caller's chain only.

        It runs in one transaction, which names the chain: a unit, for a method that may write.
        """
        method = getattr(self, name, None)
        actor = getattr(self.request, "actor", None)
        if method is not None and actor is not None:
            run = unit if name.upper() not in SAFE_METHODS else _read
            setattr(self, name, partial(_within, actor.chain_id, run, method))

    def _context(self) -> dict[str, Any]:
        return {"request": self.request, "view": self}


def _within(
    chain_id: int, run: Callable[[Callable[[], Any]], Any], method: Any, *args: Any, **kwargs: Any
) -> Any:
    with within_chain(chain_id):
        return run(partial(method, *args, **kwargs))


def _read(method: Callable[[], Any]) -> Any:
    with reading():
        return method()
