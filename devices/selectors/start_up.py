"""The chain's duties, and the start-up checks of a laser and a room on a day."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from django.db.models import Q

from clinics.models import Room
from devices.models import DutyPolicy, Laser, StartUpCheck
from devices.safety.duty_rules import DutyRules, duty_rules_of
from devices.safety.vocabulary import StartUpScope
from devices.vocabulary import StartUpEffect


@dataclass(frozen=True, slots=True)
class StartUpFinding:
    """The latest start-up check of one thing before an instant; None: nobody made one that day."""

    scope: StartUpScope
    name: str
    check: StartUpCheck | None
    failed: tuple[str, ...]
    effect: StartUpEffect

    @property
    def text(self) -> str:
        """What there is to tell; empty when all is well."""
        if self.check is None:
            return f"{self.name}: nobody made the start-up check of the day."
        if self.failed:
            said = "; ".join(self.failed)
            return f"{self.name}: the start-up check of the day failed: {said}."
        return ""


def duty_policy_of(chain_id: int) -> DutyPolicy:
    """What the chain says of its duties, or the defaults (not stored). One query."""
    policy: DutyPolicy | None = DutyPolicy.objects.filter(chain_id=chain_id).first()
    return policy or DutyPolicy(chain_id=chain_id)


def duty_rules(policy: DutyPolicy) -> DutyRules:
    """The lists in force under a policy."""
    return duty_rules_of(start_up=policy.start_up, periodic=policy.periodic, clocks=policy.clocks)


def start_up_findings(
    *, laser: Laser, room: Room, day: date, at: datetime
) -> tuple[StartUpFinding, ...]:
    """How laser and room stood at an instant of a local day. Two queries.

    Nothing is said of what the chain's lists leave out, nor where its policy is off.
    """
    policy = duty_policy_of(laser.chain_id)
    rules = duty_rules(policy)
    if policy.at_failed == policy.at_missing == StartUpEffect.OFF:
        return ()
    rows = StartUpCheck.objects.filter(
        Q(laser=laser) | Q(room=room), day=day, checked_at__lte=at
    ).order_by("checked_at", "id")
    latest = {one.laser_id is not None: one for one in rows}
    found = (
        _finding(policy, rules, scope=StartUpScope.ROOM, name=room.name, check=latest.get(False)),
        _finding(policy, rules, scope=StartUpScope.LASER, name=str(laser), check=latest.get(True)),
    )
    return tuple(one for one in found if one is not None)


def failed_items(check: StartUpCheck, rules: DutyRules) -> tuple[str, ...]:
    """What failed in a check, in the words of the list, with the note."""
    texts = {item.code: item.text for item in rules.start_up}
    return tuple(_told(item, texts) for item in check.items if not item["ok"])


def _told(item: dict[str, Any], texts: dict[str, str]) -> str:
    said = texts.get(item["code"], item["code"])
    return f"{said} ({item['note']})" if item["note"] else said


def _finding(
    policy: DutyPolicy,
    rules: DutyRules,
    *,
    scope: StartUpScope,
    name: str,
    check: StartUpCheck | None,
) -> StartUpFinding | None:
    if not rules.items_for(scope):
        return None
    effect = StartUpEffect(policy.at_missing if check is None else policy.at_failed)
    if effect is StartUpEffect.OFF:
        return None
    failed = () if check is None else failed_items(check, rules)
    return StartUpFinding(scope, name, check, failed, effect)
