"""The base of every endpoint: a policy, strict parameters, quotas, strict JSON, and a history."""

from collections.abc import Callable, Collection, Mapping
from datetime import datetime
from functools import partial
from http import HTTPStatus
from typing import Any, ClassVar, Final

from django.apps import apps
from django.utils import timezone
from rest_framework.exceptions import APIException
from rest_framework.permissions import SAFE_METHODS
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer
from rest_framework.views import APIView

from core.api.body import refuse_unknown_fields
from core.api.filters import refuse_repeated_parameters, refuse_unknown_parameters
from core.api.parsers import StrictJSONParser
from core.api.permissions import PolicyPermission
from core.api.preconditions import etag, unless_known
from core.api.schema import FallowSchema
from core.api.throttling import QuotaThrottle, tell_quota
from core.db import Author, authored, reading, unit, within_chain
from core.reads import leads_to_patient, note_reads

REASON: Final = "X-Reason"
REASON_LENGTH: Final = 400


class FallowView(APIView):
    """A plain endpoint. `policy` maps each method ("get", "post") to a policy key.

    `extra_query_params` names the query parameters it reads; any other is refused, and one that is
    given more than once unless `repeatable_query_params` names it, as a list of values.
    `throttle_scope` names its quota when it has one of its own; `throttle_scopes` does so for
    single actions of a viewset. `shows` is the model of whose rows an address with a key shows one;
    where that is part of a patient's record, that it was read is noted.
    """

    policy: ClassVar[Mapping[str, str]] = {}
    extra_query_params: Collection[str] = ()
    repeatable_query_params: Collection[str] = ()
    shows: str = ""
    shown: Collection[int] | None = None
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
        location: str | None = None,
    ) -> Response:
        """An answer that is not a row of its own: a calculation, a report, a search.

        A good one that was asked for by GET has an ETag; 304 when the caller has it.
        """
        serializer = serializer_class(value, many=many, context=self._context())
        headers = {} if location is None else {"Location": location}
        response = Response(serializer.data, status=status, headers=headers)
        if self.request.method not in SAFE_METHODS or status >= HTTPStatus.BAD_REQUEST:
            return response
        return unless_known(self.request, response, etag(None, serializer.data))

    def query_names(self) -> Collection[str]:
        """The query parameters that this request may have."""
        return self.extra_query_params

    def repeatable_names(self) -> Collection[str]:
        """Those of them that may be given more than once."""
        return self.repeatable_query_params

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        self._count(request)
        super().initial(request, *args, **kwargs)
        refuse_unknown_parameters(request, self.query_names())
        refuse_repeated_parameters(request, repeatable=self.repeatable_names())
        self._confine((request.method or "").lower())

    def check_throttles(self, request: Request) -> None:
        """Nothing: the request was counted before it was asked whether it may."""

    def _count(self, request: Request) -> None:
        """Count the request against its quota: also one of a stranger, and one that is refused."""
        try:
            self.perform_authentication(request)
        except APIException:
            super().check_throttles(request)
            raise
        super().check_throttles(request)

    def finalize_response(
        self, request: Request, response: Any, *args: Any, **kwargs: Any
    ) -> Response:
        answer = super().finalize_response(request, response, *args, **kwargs)
        tell_quota(request, answer)
        return answer

    def _confine(self, name: str) -> None:
        """Let the method that answers see the rows of the caller's chain only.

        It runs in one transaction, which names the chain: a unit, for a method that may write.
        """
        method = getattr(self, name, None)
        actor = getattr(self.request, "actor", None)
        if method is None or actor is None:
            return
        noted = partial(self._noted, method)
        if name.upper() in SAFE_METHODS:
            run = partial(_read, noted)
        else:
            run = partial(_write, noted, author=Author(actor.staff_id, self._reason()))
        setattr(self, name, partial(_within, actor.chain_id, run))

    def _reason(self) -> str:
        """Why something is changed: what the header says, else the reason in the body."""
        given = self.request.headers.get(REASON)
        if given is None:
            body = self.request.data
            given = body.get("reason") if isinstance(body, Mapping) else None
        return given.strip()[:REASON_LENGTH] if isinstance(given, str) else ""

    def shown_model(self) -> Any:
        """The model of whose rows this endpoint shows some, if it is known."""
        return apps.get_model(self.shows) if self.shows else None

    def shown_keys(self) -> Collection[int]:
        """Keys of the rows that the answer shows, unless the method has named them in `shown`."""
        return [int(self.kwargs["pk"])] if "pk" in self.kwargs else []

    def _keys_told(self) -> Collection[int]:
        """Keys of the rows that the answer to this request shows.

        What a POST shows it has changed, which the history tells; a change may change nothing.
        """
        if self.shown is not None or self.request.method == "POST":
            return self.shown or ()
        return self.shown_keys()

    def _noted(self, method: Any, *args: Any, **kwargs: Any) -> Any:
        """Answer, and note whose records the answer shows."""
        answer = method(*args, **kwargs)
        model = self.shown_model()
        if model is not None and answer.status_code < 400 and leads_to_patient(model):
            match = self.request.resolver_match
            note_reads(
                model,
                keys=self._keys_told(),
                actor=self.actor,
                operation=(match.view_name if match else "") or type(self).__name__,
                now=self.now(),
            )
        return answer

    def _context(self) -> dict[str, Any]:
        return {"request": self.request, "view": self}


def _within(chain_id: int, run: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
    with within_chain(chain_id):
        return run(*args, **kwargs)


def _read(method: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
    with reading():
        return method(*args, **kwargs)


def _write(method: Callable[..., Any], *args: Any, author: Author, **kwargs: Any) -> Any:
    with authored(author):
        return unit(partial(method, *args, **kwargs))
