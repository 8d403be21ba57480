"""Messages a minute of one worker, with a provider that takes 50 ms for each.

Run: python -m bench.recall_send [--messages 200] [--delay-ms 50]
Needs DATABASE_URL; works in a test database of its own, which it removes. `floor` is the same
sender in a loop without any database; `service` is the loop of the service (claimed under a
lease, planned and asked again, sent, settled); `naive` is a Celery task for each message that
reads it, sends it and writes that it was sent, with one pool process and a broker of its own.
"""

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import django

COLUMNS = "{:<12}{:>10}{:>10}{:>14}{:>18}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--messages", type=int, default=200)
    parser.add_argument("--delay-ms", type=int, default=50)
    asked = parser.parse_args()
    os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings.test"
    django.setup()

    from django.db import connection
    from django.test.utils import setup_databases, teardown_databases

    from tests.support.provider import Provider

    print(COLUMNS.format("way", "messages", "s", "a minute", "ms above provider"))
    old = setup_databases(verbosity=0, interactive=False)
    try:
        for way in (floor, service, naive):
            with Provider(delay_s=asked.delay_ms / 1000) as provider:
                seconds = way(asked.messages, provider)
                assert provider.effects == asked.messages, provider.effects
            above = 1000 * seconds / asked.messages - asked.delay_ms
            print(
                COLUMNS.format(
                    way.__name__,
                    asked.messages,
                    f"{seconds:.1f}",
                    f"{60 * asked.messages / seconds:.0f}",
                    f"{above:.1f}",
                ),
                flush=True,
            )
    finally:
        connection.close()
        teardown_databases(old, verbosity=0)


def floor(messages: int, provider) -> float:
    from courses.channels import Outgoing, Text
    from courses.channels.sms import HttpSms
    from courses.vocabulary import Channel

    way = HttpSms(provider.endpoint, "local")
    outgoing = Outgoing(channel=Channel.SMS, address="+4915112345678", sender_name="Invented")
    began = time.perf_counter()
    for number in range(messages):
        way.send(outgoing, text=Text("", "Hello"), key=f"floor-{number}")
    return time.perf_counter() - began


def service(messages: int, provider) -> float:
    from django.utils import timezone

    from courses.channels.sms import HttpSms
    from courses.services.recalls import ticks
    from courses.vocabulary import Channel

    due(messages)
    way = HttpSms(provider.endpoint, "local")
    began = time.perf_counter()
    ticks.messages_send_due(clock=timezone.now, senders={Channel.SMS: way}, seconds=600)
    return time.perf_counter() - began


def naive(messages: int, provider) -> float:
    from celery import Celery

    from config.servers.folders import outside_folder, state_folder
    from config.servers.identity import server_identity
    from config.servers.redis import LocalRedis
    from courses.models import Message
    from tests.support.database import database_url
    from tests.support.programs import end, start

    keys = due(messages)
    folder, identity = Path(tempfile.mkdtemp()), server_identity()
    broker = LocalRedis(
        base=state_folder(folder, name="servers", identity=identity),
        identity=identity,
        lasting=False,
    )
    broker.start()
    environment = {
        **os.environ,
        # As here, so that it has the same keys to read addresses with.
        "DJANGO_SETTINGS_MODULE": "config.settings.test",
        "DATABASE_URL": database_url(),
        "REDIS_URL": broker.url,
        "FALLOW_SMS_ENDPOINT": provider.endpoint,
    }
    command = (sys.executable, "-m", "celery", "--quiet", "-A", "bench.naive_send", "worker")
    worker = start((*command, "-c", "1"), environment=environment, log=folder / "worker.log")
    client = Celery("naive", broker=broker.url)
    try:
        while not client.control.ping(timeout=1):
            pass
        began = time.perf_counter()
        for key in keys:
            client.send_task("bench.naive_send.send", [key])
        while Message.objects.filter(pk__in=keys, status="completed").count() < messages:
            time.sleep(0.05)
        return time.perf_counter() - began
    finally:
        end(worker)
        broker.stop()
        shutil.rmtree(folder)
        shutil.rmtree(outside_folder(folder), ignore_errors=True)


def due(number: int) -> list[int]:
    """So many messages that are due now, of patients of one clinic; their keys."""
    from datetime import timedelta

    from django.utils import timezone

    from courses.models import Message
    from courses.services.recalls import ticks
    from tests.support.courses import make_ward
    from tests.support.factories import make_clinic
    from tests.support.recalls import make_scene

    clinic = make_clinic()
    before = set(Message.objects.values_list("pk", flat=True))
    for place in range(number):
        make_scene(
            make_ward(clinic=clinic),
            treated_at=timezone.now() - timedelta(days=60),
            channel="sms",
            address=f"+4915{place:08}",
            quiet_from="00:00",
            quiet_until="00:00",
        )
    ticks.recalls_open_due(now=timezone.now())
    found = Message.objects.filter(due_at__lte=timezone.now(), status="preparation")
    return sorted(set(found.values_list("pk", flat=True)) - before)


if __name__ == "__main__":
    main()
