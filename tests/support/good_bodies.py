"""What a body needs beyond its required fields to be taken, by operation."""

import base64
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from clinics.models import Room, StaffMember
from clinics.vocabulary import Role
from core.spans import Span
from courses.models import Appointment, Course, TattooPart
from courses.selectors.precautions import course_standing
from courses.selectors.slots import SearchOrder, slots_for
from courses.slots import SlotRank, slot_json
from courses.timing.cadence import DEFAULT
from courses.timing.documents import document_of
from devices.models import EmissionLine, Handpiece, Laser
from tests.support.access_world import COLUMNS, FIXED, World, chain_seen
from tests.support.demo import LOADED_AT

DAY = LOADED_AT.date()
BEAM = {
    "wavelength_nm": 1064,
    "pulse_duration": 5,
    "pulse_duration_unit": "ns",
    "energy_j": 0.3,
    "diameter_mm": 3,
}
TEXTS = {
    "name": "invitation",
    "subject": "Told by a test",
    "body": "Told by a test, $clinic: $link",
    "short": "Told by a test, $clinic: $link",
}
SLOT = ("start", "clinic", "room", "operator", "laser", "handpieces", "wavelengths_nm")
"""What a visit is booked by."""


def _ahead(**away: Any) -> str:
    return (LOADED_AT + timedelta(**away)).isoformat()


def _outage(world: World) -> dict[str, Any]:
    """The laser of a visit is out for the weeks to come."""
    ahead = Appointment.objects.filter(clinic=world.home, status="booked", starts_at__gt=LOADED_AT)
    laser = ahead.order_by("pk").values_list("laser", flat=True)[0]
    return {"laser": laser, "start": LOADED_AT.isoformat(), "end": _ahead(days=60)}


def _gap(world: World) -> dict[str, Any]:
    """A morning that has come free."""
    return {"clinic": world.home.pk, "start": _ahead(days=1), "end": _ahead(days=1, hours=4)}


def _place(world: World) -> dict[str, Any]:
    """Where, with what and whom."""
    return {
        "clinic": world.home.pk,
        "room": world.row(Room).pk,
        "laser": world.row(Laser).pk,
        "operator": world.row(StaffMember).pk,
    }


def _slot(world: World, courses: Any, *, days: int) -> dict[str, Any]:
    """One of the courses, and the first slot for its next visit."""
    tomorrow = LOADED_AT + timedelta(days=1)
    order = SearchOrder(Span(tomorrow, LOADED_AT + timedelta(days=days)), rank=SlotRank.EARLIEST)
    for course in courses.order_by("pk")[:40]:
        found = slots_for(course.pk, order=order, actor=chain_seen(world.chain), now=LOADED_AT)
        if found.answer.slots:
            slot = slot_json(found.answer.slots[0])
            return {"course": course.pk, **{name: slot[name] for name in SLOT}}
    raise LookupError("The demonstration has no course that a visit could be booked for")


def _running(world: World) -> Any:
    return Course.objects.filter(clinic=world.home, status="active")


def _booking(world: World) -> dict[str, Any]:
    """A course without a visit ahead, and a slot for one."""
    booked = Appointment.objects.filter(status="booked", starts_at__gt=LOADED_AT)
    return _slot(world, _running(world).exclude(pk__in=booked.values("course")), days=84)


def _session(world: World) -> dict[str, Any]:
    """The first session of a course, some minutes ago, with what is fitted."""
    fresh = _running(world).filter(sessions=None)
    fit = [course.pk for course in fresh if not course_standing(course, day=DAY).stops]
    if not fit:
        return _place(world)
    slot = _slot(world, fresh.filter(pk__in=fit), days=84)
    handpiece = Handpiece.objects.get(pk=slot["handpieces"][0])
    line = handpiece.lines.order_by("pk")[0]
    fired = {
        "line": line.pk,
        "handpiece": handpiece.pk,
        "parts": [TattooPart.objects.filter(tattoo__courses=slot["course"]).order_by("pk")[0].pk],
        "started_at": _ahead(minutes=-20),
        "spot_mm": handpiece.spot_sizes_mm[0],
        "fluence_j_cm2": 2,
        "pulse_duration_ns": line.pulse_min_ns,
        "rate_hz": 1,
        "pulses": 30,
    }
    place = {name: slot[name] for name in ("course", "clinic", "room", "laser", "operator")}
    return {**place, "started_at": _ahead(minutes=-25), "passes": [fired]}


def _series(world: World) -> dict[str, Any]:
    slot = _booking(world)
    span = {"start": _ahead(), "end": _ahead(days=84)}
    return {"course": slot.pop("course"), "sessions": 2, "first": slot, **span}


def _moved(world: World) -> dict[str, Any]:
    slot = _booking(world)
    del slot["course"]
    return slot


def _handpiece(world: World) -> dict[str, Any]:
    line = world.row(EmissionLine)
    return {"lines": [line.pk], "spot_sizes_mm": line.spot_sizes_mm[:2]}


def _energy_check(world: World) -> dict[str, Any]:
    laser = world.row(Laser)
    handpiece = Handpiece.objects.filter(fittings__laser=laser, fittings__period__endswith=None)[0]
    line = handpiece.lines.order_by("pk")[0]
    return {
        "laser": laser.pk,
        "handpiece": handpiece.pk,
        "line": line.pk,
        "unit": "mJ",
        "set_energy": 100,
        "readings": [100, 101, 99],
        "spot_mm": handpiece.spot_sizes_mm[0],
    }


def _file(world: World) -> dict[str, Any]:
    lines = ["device;read at;count", f"{world.row(Laser).serial};2026-03-09 18:00;1000000", ""]
    return {"content_base64": base64.b64encode("\r\n".join(lines).encode()).decode()}


def _machine(world: World) -> dict[str, Any]:
    staff = StaffMember.objects.filter(chain=world.chain, memberships__role=Role.INTEGRATOR)
    return {
        "staff_member": staff.order_by("pk")[0].pk,
        "scopes": ["own.use"],
        "expires_at": _ahead(days=30),
    }


GOOD_BODIES: dict[str, Callable[[World], dict[str, Any]]] = {
    "POST /api/v1/appointment-series": _series,
    "POST /api/v1/appointments": _booking,
    "POST /api/v1/appointments/{id}/move": _moved,
    "POST /api/v1/calculators/body-area": lambda _: {"area_cm2": 20},
    "POST /api/v1/calculators/exposure-limit": lambda _: {
        name: BEAM[name] for name in ("wavelength_nm", "pulse_duration", "pulse_duration_unit")
    },
    "POST /api/v1/calculators/eyewear": lambda _: BEAM,
    "POST /api/v1/calculators/fluence": lambda _: {"energy_j": 0.3, "spot_mm": 3},
    "POST /api/v1/calculators/hazard-distance": lambda _: BEAM,
    "POST /api/v1/calculators/setting-check": lambda world: {"line": world.row(EmissionLine).pk},
    "POST /api/v1/calculators/skin-type": lambda _: {"score": 12},
    "POST /api/v1/calendar-feeds": lambda world: {"room": world.row(Room).pk},
    "POST /api/v1/clearance-grades": lambda _: {"low": 0.25, "high": 0.5},
    "POST /api/v1/contact-point-searches": lambda _: {"email": "somebody@example.org"},
    "POST /api/v1/contact-points": lambda _: {"address": "somebody@example.org"},
    "PATCH /api/v1/contact-points/{id}": lambda _: {"address": "somebody@example.org"},
    "POST /api/v1/counter-imports": _file,
    "POST /api/v1/counter-layouts": lambda _: {
        "columns": COLUMNS,
        "fixed": FIXED,
        "delimiter": ";",
        "time_format": "%Y-%m-%d %H:%M",
    },
    "PATCH /api/v1/counter-layouts/{id}": lambda _: {"columns": COLUMNS, "fixed": FIXED},
    "POST /api/v1/counter-readings/{id}/corrections": lambda _: {"withdrawn": True},
    "POST /api/v1/counters": lambda world: {"laser": world.row(Laser).pk},
    "PATCH /api/v1/courses/{id}": lambda _: {"goal": "lighten", "target_clearance": 0.6},
    "POST /api/v1/duty-records": lambda _: {"duty": "audit"},
    "POST /api/v1/energy-checks": _energy_check,
    "POST /api/v1/eyewear": lambda _: {
        "densities": [{"low_nm": 850, "high_nm": 1100, "density": 7}]
    },
    "POST /api/v1/gaps/candidates": _gap,
    "POST /api/v1/gaps/offers": _gap,
    "POST /api/v1/handpieces": _handpiece,
    "POST /api/v1/installations": lambda world: {"laser": world.row(Laser).pk},
    "POST /api/v1/machine-tokens": _machine,
    "POST /api/v1/memberships": lambda world: {"clinic": world.home.pk},
    "POST /api/v1/message-template-previews": lambda _: TEXTS,
    "POST /api/v1/message-templates": lambda _: {**TEXTS, "based_on": 1},
    "POST /api/v1/opening-rules": lambda _: {"weekday": 7},
    "POST /api/v1/patient-searches": lambda _: {"name": "a"},
    "POST /api/v1/precaution-answers": lambda _: {"answers": {"keloid": "no"}},
    "POST /api/v1/recall-policies": lambda _: {"document": document_of(DEFAULT)},
    "POST /api/v1/replans": lambda world: {"outages": [_outage(world)]},
    "POST /api/v1/replans/hits": lambda world: {"outages": [_outage(world)]},
    "PATCH /api/v1/safety-officers/{id}": lambda _: {"valid_until": DAY.isoformat()},
    "POST /api/v1/service-plans": lambda _: {"every_months": 12},
    "POST /api/v1/service-plans/{id}/defer": lambda _: {"until": _ahead(days=20)},
    "POST /api/v1/service-visits": lambda _: {
        "start": _ahead(days=40),
        "end": _ahead(days=40, hours=2),
    },
    "POST /api/v1/sessions": _session,
    "POST /api/v1/sessions/preview": _place,
    "POST /api/v1/slot-searches": lambda world: {
        "course": _booking(world)["course"],
        "start": _ahead(),
        "end": _ahead(days=56),
    },
    "POST /api/v1/start-up-checks": lambda world: {
        "laser": world.row(Laser).pk,
        "items": [{"code": code, "ok": True} for code in ("key", "extraction", "aiming_beam")],
    },
}
