"""Eyewear of the demonstration: three invented pairs for each laser, shields in each clinic."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final

from clinics.models import Chain
from clinics.vocabulary import Role
from courses.demo.devices import Devices, LaserUnit
from courses.demo.moment import Moment
from courses.demo.organisation import Organisation, Site
from devices.models import Eyewear, EyewearPolicy
from devices.selectors import EyewearQuestion, EyewearStanding
from devices.selectors.eyewear import room_check
from devices.vocabulary import EyewearKind, EyewearState

PAIRS: Final = 3
DENSITY: Final = 10
LOW_TO_HIGH: Final = {532: (500, 540), 694: (680, 710), 755: (740, 800), 785: (740, 800)}


@dataclass(slots=True)
class Stock:
    """All of it, and what has been found about a room (asked once for each laser and line)."""

    chain: Chain
    rows: list[Eyewear]
    asked: dict[tuple[int, frozenset[int]], EyewearStanding] = field(default_factory=dict)

    def standing(
        self, unit: LaserUnit, *, room_id: int, line_ids: frozenset[int], on: date
    ) -> EyewearStanding:
        """What the rows say of the room, as the check before a session would find it."""
        key = (unit.row.pk, line_ids)
        if key not in self.asked:
            policy = EyewearPolicy(chain=self.chain)
            question = EyewearQuestion(
                clinic_id=unit.row.clinic_id,
                room_id=room_id,
                laser_model_id=unit.model.row.pk,
                on=on,
                line_ids=line_ids,
            )
            kept = [
                one
                for one in self.rows
                if one.clinic_id == question.clinic_id and one.room_id in {None, room_id}
            ]
            lines = [line.row for line in unit.model.lines.values()]
            check = room_check(lines, [], kept, question=question, policy=policy)
            self.asked[key] = EyewearStanding(policy, check)
        return self.asked[key]


def make_eyewear(organisation: Organisation, devices: Devices, moment: Moment) -> Stock:
    """Pairs where each laser is, shields at each clinic; one pair scratched, one not looked at."""
    rows = [
        *(pair for unit in devices.lasers for pair in _pairs(unit, moment=moment)),
        *(_shields(site, moment=moment) for site in organisation.sites),
        *_spoilt(devices.lasers[0], moment=moment),
    ]
    officer = organisation.first(Role.LASER_SAFETY_OFFICER).member
    for row in rows:
        row.inspected_by = officer if row.inspected_on else None
    return Stock(organisation.chain, rows)


def _pairs(unit: LaserUnit, *, moment: Moment) -> Iterator[Eyewear]:
    """One kind of pair for what leaves the laser together: 532 and 1064 nm, or a line alone."""
    lines = sorted(unit.model.lines)
    doubled = [nm for nm in lines if nm in {532, 1064}]
    for together in filter(None, [doubled, *([nm] for nm in lines if nm not in doubled)]):
        for number in range(1, PAIRS + 1):
            yield _row(
                unit.site,
                moment=moment,
                room=unit.row.room,
                label=f"{unit.row.serial} {'+'.join(map(str, together))} no. {number}",
                densities=[_density(nm) for nm in together],
                marks=[f"{nm} D LB7 + IRM LB10" for nm in together],
            )


def _density(nm: int) -> dict[str, float]:
    low, high = LOW_TO_HIGH.get(nm, (850, 1100))
    return {"low_nm": low, "high_nm": high, "density": DENSITY}


def _shields(site: Site, *, moment: Moment) -> Eyewear:
    return _row(
        site,
        moment=moment,
        label=f"Steel shields, {site.sketch.key}",
        kind=EyewearKind.PATIENT_SHIELD,
    )


def _spoilt(unit: LaserUnit, *, moment: Moment) -> Iterator[Eyewear]:
    first = next(_pairs(unit, moment=moment))
    told = {"densities": first.densities, "marks": first.marks, "room": first.room}
    yield _row(
        unit.site,
        moment=moment,
        label=f"{unit.row.serial} scratched",
        state=EyewearState.DAMAGED,
        note="Scratch across the left lens",
        **told,
    )
    long_ago = moment.today - timedelta(days=430)
    yield _row(
        unit.site,
        moment=moment,
        label=f"{unit.row.serial} from the store",
        inspected_on=long_ago,
        **told,
    )


def _row(site: Site, *, moment: Moment, **fields: Any) -> Eyewear:
    inspected = {"inspected_on": moment.today - timedelta(days=45)}
    return Eyewear(
        chain=site.clinic.chain,
        clinic=site.clinic,
        maker_mark="INVENTED",
        **{**inspected, **fields},
    )
