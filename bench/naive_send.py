"""A Celery task for each message, as one would first write it: for bench.recall_send only.

It has no lease, asks nothing again before it sends, and a task that is lost is a message lost.
"""

import os

import django
from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.local")
django.setup()

from django.utils import timezone  # noqa: E402

from courses.channels.sms import HttpSms  # noqa: E402
from courses.models import Message  # noqa: E402
from courses.selectors.recalls.verdict import messages_with_context, outgoing_of, text_of  # noqa: E402

app = Celery("naive", broker=os.environ["REDIS_URL"])
app.conf.worker_prefetch_multiplier = 1


@app.task
def send(message_id: int) -> None:
    """Send one message and say so."""
    message = messages_with_context().get(pk=message_id)
    way = HttpSms(os.environ["FALLOW_SMS_ENDPOINT"], "local")
    way.send(outgoing_of(message), text=text_of(message), key=str(message_id))
    rows = Message.objects.filter(pk=message_id)
    rows.update(status="in-progress")
    rows.update(status="completed", sent_at=timezone.now())
