"""Which rows of the courses an actor may see."""

from typing import Any, Self

from django.db import models

from clinics.querysets import HasChain


class PatientScoped(models.QuerySet[Any]):
    """Rows that hang on a patient."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the patients of the actor's chain."""
        return self.filter(patient__chain_id=actor.chain_id)


class ErasureScoped(models.QuerySet[Any]):
    """Rows that hang on an erasure."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the erasures of the actor's chain."""
        return self.filter(erasure__patient__chain_id=actor.chain_id)


class ContactPointScoped(models.QuerySet[Any]):
    """Rows that hang on a contact point."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the contact points of the actor's chain."""
        return self.filter(contact_point__patient__chain_id=actor.chain_id)


class TattooScoped(models.QuerySet[Any]):
    """Rows that hang on a tattoo."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the tattoos of the actor's chain."""
        return self.filter(tattoo__patient__chain_id=actor.chain_id)


class CourseScoped(models.QuerySet[Any]):
    """Rows that hang on a course."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the courses of the actor's chain."""
        return self.filter(course__chain_id=actor.chain_id)


class PartScoped(models.QuerySet[Any]):
    """Rows that hang on a part of a tattoo."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the tattoo parts of the actor's chain."""
        return self.filter(part__tattoo__patient__chain_id=actor.chain_id)


class SessionScoped(models.QuerySet[Any]):
    """Rows that hang on a session."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the sessions of the actor's chain."""
        return self.filter(session__course__chain_id=actor.chain_id)


class WindowScoped(models.QuerySet[Any]):
    """Rows that hang on a healing window."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the healing windows of the actor's chain."""
        return self.filter(window__course__chain_id=actor.chain_id)


class RecallScoped(models.QuerySet[Any]):
    """Rows that hang on a recall."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the recalls of the actor's chain."""
        return self.filter(recall__course__chain_id=actor.chain_id)


class MessageScoped(models.QuerySet[Any]):
    """Rows that hang on a message."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the messages of the actor's chain."""
        return self.filter(message__recall__course__chain_id=actor.chain_id)


class GapScoped(models.QuerySet[Any]):
    """Rows that hang on a gap in a diary."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the gaps at the clinics of the actor's chain."""
        return self.filter(gap__clinic__chain_id=actor.chain_id)


class RunScoped(models.QuerySet[Any]):
    """Rows that hang on a calibration run."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the calibration runs of the actor's chain."""
        return self.filter(run__chain_id=actor.chain_id)


class ReplanScoped(models.QuerySet[Any]):
    """Rows that hang on a re-plan."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the re-plans of the actor's chain."""
        return self.filter(replan__chain_id=actor.chain_id)


class ReplanRunScoped(models.QuerySet[Any]):
    """Rows that hang on a run of a re-plan."""

    def visible_to(self, actor: HasChain) -> Self:
        """The rows of the runs of the re-plans of the actor's chain."""
        return self.filter(run__replan__chain_id=actor.chain_id)
