"""What a chain's policy keeps no longer: traces go by themselves, records by a person's word."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any, Final

from django.db.models import CharField, F, QuerySet, Value
from django.db.models.functions import Concat

from clinics.models import Chain
from core.db import command, step
from core.rotation import forgetting, rewriting
from courses.models import CalendarFeed, DeliveryReport, Message
from courses.retention import retention_policy_of
from courses.selectors.retention import (
    changes_to_forget,
    feeds_to_forget,
    messages_to_unname,
    reads_to_forget,
)
from courses.services.erasure.personal import ERASED

BATCH: Final = 1_000


def retention_tick(*, now: datetime) -> dict[str, int]:
    """Forget the traces whose time is over, a batch a transaction; how many of each kind.

    Records of patients are proposed for erasure and never erased here.
    """
    done = dict.fromkeys(_TRACES, 0)
    for chain in Chain.objects.order_by("pk"):
        for name, batch in _TRACES.items():
            done[name] += _to_the_end(batch, chain, now)
    return done


@command
def messages_unname(*, chain: Chain, now: datetime) -> int:
    """Write over the provider's names of a batch of messages and of their reports."""
    policy = retention_policy_of(chain.retention_policy)
    rows = messages_to_unname(chain_id=chain.pk, policy=policy, now=now)
    keys = list(rows.order_by("pk").values_list("pk", flat=True)[:BATCH])
    Message.objects.filter(pk__in=keys).update(provider_reference=ERASED)
    with rewriting():
        DeliveryReport.objects.filter(message__in=keys).update(
            provider_id=Concat(Value(f"{ERASED}-"), F("id"), output_field=CharField())
        )
    return len(keys)


@command
def feeds_forget(*, chain: Chain, now: datetime) -> int:
    """Remove a batch of calendar addresses that were closed long ago."""
    policy = retention_policy_of(chain.retention_policy)
    rows = feeds_to_forget(chain_id=chain.pk, policy=policy, now=now)
    keys = list(rows.order_by("pk").values_list("pk", flat=True)[:BATCH])
    CalendarFeed.objects.filter(pk__in=keys).delete()
    return len(keys)


@command
def reads_forget(*, chain: Chain, now: datetime) -> int:
    """Remove a batch of notes of who was shown a record long ago."""
    policy = retention_policy_of(chain.retention_policy)
    return _forget(reads_to_forget(chain_id=chain.pk, policy=policy, now=now))


@command
def changes_forget(*, chain: Chain, now: datetime) -> int:
    """Remove a batch of the history of long ago."""
    policy = retention_policy_of(chain.retention_policy)
    return _forget(changes_to_forget(chain_id=chain.pk, policy=policy, now=now))


@step
def _forget(rows: QuerySet[Any]) -> int:
    # In no order: the oldest pages are found by the index of the time.
    keys = list(rows.order_by().values_list("pk", flat=True)[:BATCH])
    with forgetting():
        rows.model._default_manager.filter(pk__in=keys).delete()  # noqa: SLF001
    return len(keys)


_TRACES: Final[Mapping[str, Callable[..., Any]]] = {
    "messages": messages_unname,
    "calendar_feeds": feeds_forget,
    "record_reads": reads_forget,
    "changes": changes_forget,
}


def _to_the_end(batch: Callable[..., Any], chain: Chain, now: datetime) -> int:
    done = 0
    while written := int(batch(chain=chain, now=now)):
        done += written
    return done
