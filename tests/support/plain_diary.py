"""A diary as plain lists of intervals: what booking ought to say, reckoned the simplest way.

No grid, no rows, no database: every question is answered by comparing instants one by one. All
instants of the tests lie on multiples of five minutes, where the search's grid is exact.
"""

from dataclasses import dataclass, field
from datetime import datetime, time, timedelta

from core.spans import Span
from courses.selectors.visits import Visit
from courses.slots import role_spans
from courses.vocabulary import TreatmentRole

FOR_EVER = timedelta(days=3650)


@dataclass
class Kept:
    """An appointment as the plain diary has it: `expires_at` while it is held."""

    course: int
    visit: Visit
    expires_at: datetime | None = None
    open: bool = True

    def stands(self, now):
        return self.open and (self.expires_at is None or self.expires_at > now)


@dataclass
class PlainDiary:
    """Everything that decides whether a visit can be, and what is kept busy by which.

    `resources` maps (role, own id) to a resource; `fitted` has (handpiece, laser, from, until).
    """

    resources: dict
    opens: time
    closes: time
    holds_per_caller: int
    now: datetime
    kept: dict[int, Kept] = field(default_factory=dict)
    closures: dict[int, Span] = field(default_factory=dict)
    lock_outs: dict[int, tuple[int, Span]] = field(default_factory=dict)
    fitted: list[tuple[int, int, datetime, datetime]] = field(default_factory=list)

    def standing(self):
        return {pk: one for pk, one in self.kept.items() if one.stands(self.now)}

    def held(self):
        return [one for one in self.standing().values() if one.expires_at is not None]

    def open_of(self, course):
        return [pk for pk, one in self.standing().items() if one.course == course]

    def busy(self):
        """(resource, span, owner) of everything that counts now."""
        return [
            (resource, span, pk)
            for pk, one in self.standing().items()
            for resource, span in self.spans_of(one)
        ]

    def spans_of(self, one: Kept):
        place = one.visit.place
        owners = {
            TreatmentRole.ROOM: [place.room_id],
            TreatmentRole.OPERATOR: [place.operator_id],
            TreatmentRole.LASER: [place.laser_id],
            TreatmentRole.HANDPIECE: list(place.handpiece_ids),
            TreatmentRole.PATIENT: [one.course],
        }
        spans = role_spans(one.visit.timeline, start=one.visit.starts_at)
        return [
            (self.resources[role, own_id], span)
            for role, ids in owners.items()
            for own_id in ids
            for span in spans[role]
        ]

    def is_open(self, span: Span):
        day = span.start.date()
        opened = Span(
            datetime.combine(day, self.opens, tzinfo=span.start.tzinfo),
            datetime.combine(day, self.closes, tzinfo=span.start.tzinfo),
        )
        return opened.contains(span) and not any(
            closure.overlaps(span) for closure in self.closures.values()
        )

    def is_fit(self, visit: Visit):
        """Hours, lock-outs and fittings; not who is busy."""
        spans = role_spans(visit.timeline, start=visit.starts_at)
        # From the beginning of the visit: nobody is prepared for a laser that may not fire.
        used = Span(visit.starts_at, spans[TreatmentRole.LASER][-1].end)
        locked = any(
            laser == visit.place.laser_id and period.overlaps(used)
            for laser, period in self.lock_outs.values()
        )
        fitted = all(
            any(
                (tip, visit.place.laser_id) == (handpiece, laser)
                and since <= span.start
                and span.end <= until
                for handpiece, laser, since, until in self.fitted
            )
            for tip in visit.place.handpiece_ids
            for span in spans[TreatmentRole.HANDPIECE]
        )
        whole = Span(visit.starts_at, visit.ends_at)
        return self.is_open(whole) and fitted and not locked and visit.starts_at >= self.now

    def is_free(self, course, visit: Visit, *, but=None):
        wanted = self.spans_of(Kept(course, visit))
        return not any(
            resource == other and span.overlaps(taken)
            for other, taken, owner in self.busy()
            if owner != but
            for resource, span in wanted
        )

    def refusals(self, course, visit: Visit, *, but=None):
        """The codes with which a fit visit may be refused; empty when it must be accepted."""
        codes = set()
        if not self.is_fit(visit):
            codes.add("slot_unfit")
        if not self.is_free(course, visit, but=but):
            codes.add("slot_taken")
        return codes

    def stranded(self, closure: Span):
        """Standing visits inside opening hours now that a closure would leave outside."""
        return [
            pk
            for pk, one in self.standing().items()
            if self.is_open(whole := Span(one.visit.starts_at, one.visit.ends_at))
            and closure.overlaps(whole)
        ]

    def fit_to(self, handpiece, laser):
        """Move a handpiece to a laser now; False when it cannot be."""
        for number, (tip, on, since, until) in enumerate(self.fitted):
            if tip == handpiece and until > self.now:
                if on == laser or since >= self.now:
                    return False
                self.fitted[number] = (tip, on, since, self.now)
        self.fitted.append((handpiece, laser, self.now, self.now + FOR_EVER))
        return True
