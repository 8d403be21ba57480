"""Planning tests run at one time, a Monday morning, at a ward of their own."""

from collections.abc import Iterator

import pytest
import time_machine

from clinics.vocabulary import Role
from tests.support.api import Caller
from tests.support.courses import NOW, Ward, make_ward


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Traveller]:
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


@pytest.fixture
def ward(db) -> Ward:
    return make_ward()


@pytest.fixture
def clinician(ward) -> Caller:
    return ward.caller(Role.TREATING_CLINICIAN)


@pytest.fixture
def desk(ward) -> Caller:
    return ward.caller(Role.FRONT_DESK)


@pytest.fixture
def operator(ward) -> Caller:
    return ward.caller(Role.LASER_OPERATOR)


@pytest.fixture
def manager(ward) -> Caller:
    return ward.caller(Role.CHAIN_MANAGER)
