"""Kinds of rows: those that carry a version, those that only grow, and remembered answers."""

from collections.abc import Iterable
from copy import deepcopy
from datetime import datetime
from typing import Any
from uuid import uuid4

from django.db import models
from django.db.migrations import RunSQL

from core.errors import Stale

OF_EVERY_SAVE = frozenset({"version", "updated_at"})


class Versioned(models.Model):
    """A row that can change. `version` grows by one with every save; the API shows it as ETag.

    A save writes only over the version it was read at, so that a change made in between, by a
    caller that took no lock, is never lost: it raises Stale. A row that was locked (`lock_rows`)
    and is as it was then is not written at all.
    """

    version = models.PositiveIntegerField(default=1, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)

    _as_locked: dict[str, Any] | None = None

    class Meta:
        abstract = True

    def save(self, *, update_fields: Iterable[str] | None = None, **kwargs: Any) -> None:
        locked = self._as_locked is not None
        if locked and self._as_locked == self._values():
            return
        if not self._state.adding:
            self.version += 1
            if update_fields is not None:
                update_fields = {*update_fields, "version", "updated_at"}
        super().save(update_fields=update_fields, **kwargs)
        # Of some columns: what else was set is still to be written.
        self._as_locked = self._values() if locked and update_fields is None else None

    def note_as_locked(self) -> None:
        """Remember what the row is, so that a save that changes nothing writes nothing."""
        self._as_locked = self._values()

    def note_change(self) -> None:
        """Something that hangs on this row has changed: the next save writes it."""
        self._as_locked = None

    def _values(self) -> dict[str, Any]:
        """The columns but for those that every save writes."""
        found = {
            column.attname: self.__dict__[column.attname]
            for column in self._meta.concrete_fields
            if column.attname in self.__dict__ and column.name not in OF_EVERY_SAVE
        }
        # What can be changed in place is kept as it is now.
        return {
            name: deepcopy(value) if isinstance(value, dict | list) else value
            for name, value in found.items()
        }

    def _do_update(self, base_qs: Any, *args: Any, **kwargs: Any) -> Any:
        if self._state.adding:
            return super()._do_update(base_qs, *args, **kwargs)
        read_at = self.version - 1
        written = super()._do_update(base_qs.filter(version=read_at), *args, **kwargs)
        if not written:
            raise Stale(read_version=read_at)
        return written

    def touch(self) -> None:
        """Grow the version and nothing else: something that hangs on this row has changed."""
        self.note_change()
        self.save(update_fields=())

    def check_version(self, expected: int | None) -> None:
        """Raise Stale unless the row is at the version the caller expects (None: any)."""
        if expected is not None and expected != self.version:
            raise Stale(current_version=self.version)


class AppendOnly(models.Model):
    """A row of a ledger: written once. A mistake is mended by a further row.

    The migration that creates the table adds `append_only_sql`, so that the database refuses
    changes from whichever side.
    """

    class Meta:
        abstract = True


def append_only_sql(table: str, *, forgotten: bool = False) -> RunSQL:
    """Migration operation: the database refuses UPDATE, DELETE and TRUNCATE of `table`.

    `forgotten`: rows that a policy keeps no longer may go (`core.rotation.forgetting`).
    """
    trigger, argument = f"{table}_only_grows", "'forgotten'" if forgotten else ""
    return RunSQL(
        sql=(
            f'CREATE TRIGGER {trigger} BEFORE UPDATE OR DELETE ON "{table}" '
            f"FOR EACH ROW EXECUTE FUNCTION refuse_change({argument});"
            f'CREATE TRIGGER {trigger}_truncate BEFORE TRUNCATE ON "{table}" '
            f"FOR EACH STATEMENT EXECUTE FUNCTION refuse_change();"
        ),
        reverse_sql=(
            f'DROP TRIGGER {trigger}_truncate ON "{table}"; DROP TRIGGER {trigger} ON "{table}";'
        ),
    )


class IdempotencyQuerySet(models.QuerySet["IdempotencyRecord"]):
    """Remembered answers."""

    def expired_at(self, now: datetime) -> "IdempotencyQuerySet":
        """Those that need not be kept any longer."""
        return self.filter(expires_at__lte=now)


class IdempotencyRecord(models.Model):
    """The answer given to one key of one caller, written in the transaction of its effect.

    `status` is empty only while that transaction runs, which nobody else sees.
    """

    id = models.UUIDField(primary_key=True, default=uuid4, editable=False)
    caller = models.CharField(max_length=64, help_text="Hash of the credential")
    method = models.CharField(max_length=8)
    path = models.CharField(max_length=300)
    key = models.CharField(max_length=255)
    fingerprint = models.CharField(max_length=64, help_text="SHA-256 of query and body")
    status = models.PositiveSmallIntegerField(null=True)
    headers = models.JSONField(default=dict)
    body = models.BinaryField(default=b"")
    created_at = models.DateTimeField(auto_now_add=True)
    expires_at = models.DateTimeField()

    objects = IdempotencyQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["caller", "key", "method", "path"], name="idempotencyrecord_key_once"
            )
        ]
        indexes = [models.Index(fields=["expires_at"], name="idempotencyrecord_expiry")]

    def __str__(self) -> str:
        return f"{self.method} {self.path}"
