"""Which rows an actor may see, said once per shape of table."""

from datetime import datetime
from typing import Any, Protocol, Self

from django.db import models
from django.db.models import Q

from core.spans import Span
from core.vocabulary import ReservationStatus


class HasChain(Protocol):
    """Whoever asks: all that scoping needs to know of an actor."""

    @property
    def chain_id(self) -> int: ...


class ChainScoped(models.QuerySet[Any]):
    """Rows that carry their chain themselves."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the actor's chain."""
        return self.filter(chain_id=actor.chain_id)


class ClinicScoped(models.QuerySet[Any]):
    """Rows that hang on a clinic."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the clinics of the actor's chain."""
        return self.filter(clinic__chain_id=actor.chain_id)


class StaffScoped(models.QuerySet[Any]):
    """Rows that hang on a member of staff."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the staff of the actor's chain."""
        return self.filter(staff_member__chain_id=actor.chain_id)


class ChainQuerySet(models.QuerySet[Any]):
    """Chains."""

    def visible_to(self, actor: HasChain) -> Self:
        """The actor's own chain."""
        return self.filter(pk=actor.chain_id)


class ResourceQuerySet(ChainScoped):
    """Whatever can be busy."""


class ClosureQuerySet(ClinicScoped):
    """When clinics are closed, whatever their weekly rules say."""

    def overlapping(self, span: Span) -> Self:
        """Those that share an instant with the span."""
        return self.filter(period__overlap=(span.start, span.end))


class ShiftQuerySet(StaffScoped):
    """When staff work."""

    def overlapping(self, span: Span) -> Self:
        """Those that share an instant with the span."""
        return self.filter(period__overlap=(span.start, span.end))


class ResourceScoped(models.QuerySet[Any]):
    """Rows that hang on a resource."""

    def overlapping(self, span: Span) -> Self:
        """Those that share an instant with the span."""
        return self.filter(period__overlap=(span.start, span.end))

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the resources of the actor's chain."""
        return self.filter(resource__chain_id=actor.chain_id)


class ReservationQuerySet(ResourceScoped):
    """Busy periods."""

    def counting_at(self, now: datetime) -> Self:
        """Those that keep others out at `now`: all but expired tentative ones."""
        return self.exclude(self._expired(now))

    def expired_at(self, now: datetime) -> Self:
        """Tentative ones whose time is over."""
        return self.filter(self._expired(now))

    @staticmethod
    def _expired(now: datetime) -> Q:
        return Q(status=ReservationStatus.BUSY_TENTATIVE, expires_at__lte=now)


class SignInScoped(models.QuerySet[Any]):
    """Rows that hang on a sign-in."""

    def visible_to(self, actor: HasChain) -> Self:
        """Those of the staff of the actor's chain."""
        return self.filter(user__staff_member__chain_id=actor.chain_id)
