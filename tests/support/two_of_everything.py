"""A clinic with two of everything, and the plain diary that goes with it."""

from datetime import time

from clinics.vocabulary import Role
from courses.vocabulary import TreatmentRole
from devices.models import Laser
from tests.support.booking import (
    NOW,
    fit_handpiece,
    make_operator,
    make_running_course,
    make_stage,
)
from tests.support.factories import LONG_AGO, make_actor, make_resource, make_room
from tests.support.plain_diary import FOR_EVER, PlainDiary

HELD_AT_MOST = 2
COURSES = 8


class World:
    """Two rooms, operators, lasers and handpieces, and eight courses; open from 9 to 17 UTC."""

    def __init__(self):
        stage = make_stage(days=2)
        self.stage, self.clinic, self.desk = stage, stage.clinic, stage.desk
        stage.chain.holds_per_caller = HELD_AT_MOST
        stage.chain.save()
        self.manager = make_actor(Role.CHAIN_MANAGER, chain=stage.chain)
        self.officer = make_actor(Role.LASER_SAFETY_OFFICER, clinic=stage.clinic)
        self.rooms = [stage.room, make_room(stage.clinic)]
        self.operators = [stage.operator, make_operator(stage.clinic, days=2)]
        second = Laser.objects.create(
            chain=stage.chain,
            clinic=stage.clinic,
            resource=make_resource(stage.chain, clinic=stage.clinic),
            laser_model=stage.laser.laser_model,
            serial="second",
        )
        self.lasers = [stage.laser, second]
        self.tips = [stage.handpiece, fit_handpiece(second)]
        self.courses = [make_running_course(stage.clinic) for _ in range(COURSES)]

    def plain(self):
        owners = {
            TreatmentRole.ROOM: self.rooms,
            TreatmentRole.OPERATOR: self.operators,
            TreatmentRole.LASER: self.lasers,
            TreatmentRole.HANDPIECE: self.tips,
        }
        resources = {
            (role, one.pk): one.resource_id for role, all_ in owners.items() for one in all_
        }
        for course in self.courses:
            resources[TreatmentRole.PATIENT, course.pk] = course.patient.resource_id
        return PlainDiary(
            resources=resources,
            opens=time(9),
            closes=time(17),
            holds_per_caller=HELD_AT_MOST,
            now=NOW,
            fitted=[
                (tip.pk, laser.pk, LONG_AGO, NOW + FOR_EVER)
                for tip, laser in zip(self.tips, self.lasers, strict=True)
            ],
        )
