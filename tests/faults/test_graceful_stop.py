"""SIGTERM under load: whoever was let in is answered, and nothing happens untold."""

import os
import random
import threading
import time
from collections import Counter
from uuid import uuid4

import pytest

from core.models import IdempotencyRecord
from courses.models import Appointment
from tests.support.crowd import random_visit
from tests.support.database import database_url
from tests.support.web import Web
from tests.support.web_arena import Size
from tests.support.web_arena_builder import build
from tests.support.web_client import BROKEN, WebClient

pytestmark = [pytest.mark.slow, pytest.mark.django_db(transaction=True), pytest.mark.timeout(120)]

CLIENTS = 8
BEFORE = 40


class Client(threading.Thread):
    """Books without a pause until it is told to go elsewhere, and never repeats a request."""

    def __init__(self, number, *, arena, port, keep):
        super().__init__(daemon=True)
        self.link = WebClient(port, keep=keep)
        self.chance = random.Random(number)
        self.arena, self.token, self.keep = arena, arena.tokens[number], keep
        self.answers, self.done, self.broken, self.last_at = Counter(), set(), set(), 0.0

    def run(self):
        while True:
            key = str(uuid4())
            body = random_visit(self.arena, self.chance)
            body["course"] = self.chance.choice(self.arena.courses)
            try:
                answer = self.link.post(
                    "/api/v1/appointments",
                    body,
                    token=self.token,
                    headers={"Idempotency-Key": key},
                )
            except ConnectionRefusedError:
                return
            except BROKEN:
                self.broken.add(key)
                return
            self.last_at = time.monotonic()
            self.answers[answer.status] += 1
            if answer.status == 201:
                self.done.add(key)
            if self.keep and answer.headers.get("Connection") == "close":
                return


@pytest.fixture
def web(tmp_path):
    served = Web(
        {
            **os.environ,
            "DJANGO_SETTINGS_MODULE": "config.settings.test",
            "DATABASE_URL": database_url(),
            "FALLOW_LOG_LEVEL": "ERROR",
        },
        log=tmp_path / "web.log",
    )
    yield served
    served.end()


@pytest.mark.parametrize("keep", [True, False], ids=["kept-connections", "new-connections"])
def test_a_stop_under_load_loses_no_request(web, keep):
    arena = build(Size(callers=CLIENTS, courses=400, days=5))
    web.start()
    crowd = [Client(n, arena=arena, port=web.port, keep=keep) for n in range(CLIENTS)]
    for client in crowd:
        client.start()
    while sum(client.answers.total() for client in crowd) < BEFORE:
        time.sleep(0.01)
    stopped_at = time.monotonic()
    assert web.stop() == 0
    for client in crowd:
        client.join(30)
    answers = sum((client.answers for client in crowd), Counter())
    assert set(answers) <= {201, 409}, web.log.read_text()[-3000:]
    # Requests were on their way when the signal came, and were answered after it.
    assert sum(client.last_at > stopped_at for client in crowd) > 0
    if keep:
        assert not any(client.broken for client in crowd)
    # What stood in the queue of the closed port was never begun: sending it again is safe.
    told = set().union(*(client.done for client in crowd))
    assert set(IdempotencyRecord.objects.values_list("key", flat=True)) == told
    assert Appointment.objects.count() == len(told) > 0
