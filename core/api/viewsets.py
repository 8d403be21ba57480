"""The base of every resource: rows of the caller's chain, versions as ETags, pages by keyset."""

from collections.abc import Collection
from functools import partial
from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from rest_framework import status
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer
from rest_framework.viewsets import GenericViewSet

from core.api.body import refuse_unknown_fields
from core.api.filters import StrictFilterBackend, filter_names, listed_filter_names
from core.api.idempotency import idempotent
from core.api.pagination import KeysetPagination, page_parameters
from core.api.preconditions import etag, expected_version, unless_known
from core.api.views import FallowView
from core.db import lock_rows, unit
from core.models import Versioned

SerializerClass = type[BaseSerializer[Any]]


class FallowViewSet(FallowView, GenericViewSet[Any]):
    """A resource. It parses, calls a service and presents; it decides nothing.

    `policy` maps each action to a policy key. `keyset` (or `orderings`) is the unique order of
    its list; `filterset_class` declares its filters. `serializer_class` shows a row.
    """

    keyset: Collection[str] = ("id",)
    filter_backends: Any = (StrictFilterBackend,)
    pagination_class: Any = KeysetPagination
    lookup_value_regex = "[0-9]{1,18}"

    def get_queryset(self) -> QuerySet[Any]:
        rows: Any = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()  # type: ignore[no-any-return]
        return rows.visible_to(self.actor)  # type: ignore[no-any-return]

    def get_object(self) -> Any:
        """The row the address names, without the list's filters; 404 for another chain's."""
        lookup = self.kwargs[self.lookup_url_kwarg or self.lookup_field]
        row = self.get_queryset().filter(**{self.lookup_field: lookup}).first()
        if row is None:
            raise Http404
        return row

    def shown_model(self) -> Any:
        rows: Any = getattr(self, "queryset", None)
        return super().shown_model() or getattr(rows, "model", None)

    def shown_keys(self) -> Collection[int]:
        """The row that the address names, or those of the page."""
        page = getattr(self.paginator, "rows", ())
        rows = [row.pk for row in page if isinstance(row, self.shown_model())]
        return rows or super().shown_keys()

    def query_names(self) -> Collection[str]:
        names = set(self.extra_query_params)
        if self.action == "list":
            names |= filter_names(self) | page_parameters(self)
        return names

    def repeatable_names(self) -> Collection[str]:
        return {*self.repeatable_query_params, *listed_filter_names(self)}

    def present(
        self,
        row: Any,
        *,
        status: int = status.HTTP_200_OK,
        serializer_class: SerializerClass | None = None,
        location: str | None = None,
    ) -> Response:
        """A row with its ETag; a new one (201) also with its Location."""
        shown = (serializer_class or self.get_serializer_class())(row, context=self._context())
        response = Response(shown.data, status=status)
        if status == 201:
            response.headers["Location"] = location or self.reverse_action("detail", [row.pk])
        return unless_known(self.request, response, etag(row, shown.data))


class RetrieveMixin(FallowViewSet):
    """Shows one row; 304 when the caller has it."""

    def retrieve(self, request: Request, **kwargs: Any) -> Response:
        """One row, with its ETag."""
        return self.present(self.get_object())


class ListMixin(FallowViewSet):
    """Lists rows by keyset; 304 when the caller has the page."""

    def list(self, request: Request, **kwargs: Any) -> Response:
        """One page of the rows that the filters leave."""
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset()))
        return self.paged(self.get_serializer(page, many=True).data)

    def paged(self, data: Any) -> Response:
        """The page that was asked for, shown as `data`, with its ETag."""
        response = self.get_paginated_response(data)
        return unless_known(self.request, response, etag(None, response.data))


class ReferenceViewSet(ListMixin, RetrieveMixin):
    """Plain create, read, change and remove of reference data, for tables without a rule.

    A change or removal of a versioned row needs If-Match, checked again under the row's lock. A
    row that others point at is not removed (409).
    """

    http_method_names = ["get", "post", "patch", "delete", "head", "options"]

    def owned(self) -> dict[str, Any]:
        """Values of a new row that the body does not decide, such as the actor's chain."""
        return {}

    @idempotent(required=False)
    def create(self, request: Request, **kwargs: Any) -> Response:
        """A new row."""
        row = unit(partial(self._write, None, expected=None))
        return self.present(row, status=status.HTTP_201_CREATED)

    def partial_update(self, request: Request, **kwargs: Any) -> Response:
        """Change the fields that the body has."""
        row = self.get_object()
        expected = expected_version(request, row) if isinstance(row, Versioned) else None
        return self.present(unit(partial(self._write, row, expected=expected)))

    def destroy(self, request: Request, **kwargs: Any) -> Response:
        """Remove the row, unless others point at it."""
        row = self.get_object()
        expected = expected_version(request, row) if isinstance(row, Versioned) else None
        unit(partial(self._remove, row, expected=expected))
        return Response(status=status.HTTP_204_NO_CONTENT)

    def _write(self, row: Any, *, expected: int | None) -> Any:
        """Runs in a unit, again after a deadlock: the serializer is made anew each time."""
        if row is None:
            serializer = self.get_serializer(data=self.request.data)
            refuse_unknown_fields(serializer, self.request.data)
            serializer.is_valid(raise_exception=True)
            return serializer.save(**self.owned())
        locked = self._locked(row, expected=expected)
        serializer = self.get_serializer(locked, data=self.request.data, partial=True)
        refuse_unknown_fields(serializer, self.request.data)
        serializer.is_valid(raise_exception=True)
        return serializer.save()

    def _remove(self, row: Any, *, expected: int | None) -> None:
        self._locked(row, expected=expected).delete()

    def _locked(self, row: Any, *, expected: int | None) -> Any:
        rows = lock_rows(self.get_queryset().filter(pk=row.pk))
        if not rows:
            raise Http404
        if isinstance(rows[0], Versioned):
            rows[0].check_version(expected)
        return rows[0]
