"""What a chain's policy keeps no longer: traces go by themselves, records by a person's word."""

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from django.db.models import CharField, F, Value
from django.db.models.functions import Concat

from clinics.models import Chain
from core.db import command
from core.rotation import rewriting
from courses.models import CalendarFeed, DeliveryReport, Message
from courses.retention import retention_policy_of
from courses.selectors.retention import feeds_to_forget, messages_to_unname
from courses.services.erasure.personal import ERASED

BATCH: Final = 1_000


def retention_tick(*, now: datetime) -> dict[str, int]:
    """Forget the traces whose time is over, a batch a transaction; how many of each kind.

    Records of patients are proposed for erasure and never erased here.
    """
    done = {"messages": 0, "calendar_feeds": 0}
    for chain in Chain.objects.order_by("pk"):
        done["messages"] += _to_the_end(messages_unname, chain, now)
        done["calendar_feeds"] += _to_the_end(feeds_forget, chain, now)
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


def _to_the_end(batch: Callable[..., Any], chain: Chain, now: datetime) -> int:
    done = 0
    while written := int(batch(chain=chain, now=now)):
        done += written
    return done
