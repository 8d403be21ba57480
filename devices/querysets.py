"""Which device rows an actor may see, and which hold at an instant."""

from datetime import date, datetime
from typing import Any, Self

from django.db import models

from clinics.querysets import ClinicScoped, HasChain
from core.spans import Span


class LaserScoped(models.QuerySet[Any]):
    """Rows that hang on a laser."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the lasers of the actor's chain."""
        return self.filter(laser__chain_id=actor.chain_id)


class LaserModelScoped(models.QuerySet[Any]):
    """Rows that hang on a laser model."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the laser models of the actor's chain."""
        return self.filter(laser_model__chain_id=actor.chain_id)


class PeriodOfLaser(LaserScoped):
    """Rows that hold for a laser during a period: lock-outs and fittings."""

    def holding_at(self, instant: datetime) -> Self:
        """Those whose period contains the instant."""
        return self.filter(period__contains=instant)

    def overlapping(self, span: Span) -> Self:
        """Those that share an instant with the span."""
        return self.filter(period__overlap=(span.start, span.end))


class LockOutQuerySet(PeriodOfLaser):
    """Lock-outs: of whole lasers, or of one line."""

    def of_whole_lasers(self) -> Self:
        """Those that keep all of a laser from firing."""
        return self.filter(line=None)

    def keeping(self, line_id: int) -> Self:
        """Those that keep a line from firing: its own, and the whole laser's."""
        return self.filter(models.Q(line=None) | models.Q(line_id=line_id))


class InstallationQuerySet(models.QuerySet[Any]):
    """Where parts sit, and since when."""

    def visible_to(self, actor: HasChain) -> Self:
        """The installations of the parts of the actor's chain."""
        return self.filter(part__chain_id=actor.chain_id)

    def holding_at(self, instant: datetime) -> Self:
        """Those whose period contains the instant."""
        return self.filter(period__contains=instant)


class EnergyCheckQuerySet(LaserScoped):
    """Energy checks."""

    def counting(self) -> Self:
        """Those that were not entered in error."""
        return self.filter(void__isnull=True)


class LineScoped(models.QuerySet[Any]):
    """Rows that hang on an emission line."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the lines of the actor's chain."""
        return self.filter(line__laser_model__chain_id=actor.chain_id)


class CounterScoped(models.QuerySet[Any]):
    """Rows that hang on a counter."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the counters of the actor's chain."""
        return self.filter(counter__chain_id=actor.chain_id)


class CounterReadings(CounterScoped):
    """What was read off counters."""

    def counting(self) -> Self:
        """Those that stand: neither corrected by a later row nor withdrawn."""
        return self.filter(correction__isnull=True, withdrawn=False)


class IncidentScoped(models.QuerySet[Any]):
    """Rows that hang on an incident."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the incidents of the actor's chain."""
        return self.filter(incident__clinic__chain_id=actor.chain_id)


class OfficerQuerySet(ClinicScoped):
    """Who is laser safety officer, and where."""

    def holding_on(self, day: date) -> Self:
        """Those whose days contain the date."""
        return self.filter(valid_during__contains=day)
