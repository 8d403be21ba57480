"""Whether laser and room were looked at before the first patient of the day, and found well."""

from collections.abc import Iterator

from courses.selectors.precheck.context import Context
from courses.selectors.precheck.findings import Finding, failed, passed, warned
from devices.safety.vocabulary import StartUpScope
from devices.vocabulary import StartUpEffect

RULES = {StartUpScope.LASER: "laser_started_up", StartUpScope.ROOM: "room_started_up"}


def start_up_check_findings(context: Context) -> Iterator[Finding]:
    """The latest start-up check before the session, of the laser and of the room."""
    for one in context.start_up:
        rule, pointer = RULES[one.scope], f"/{one.scope}"
        check = None if one.check is None else one.check.pk
        if not one.text:
            yield passed(rule, pointer=pointer, start_up_check=check)
            continue
        tell = failed if one.effect is StartUpEffect.REFUSE else warned
        yield tell(rule, one.text, pointer=pointer, start_up_check=check)
