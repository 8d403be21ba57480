"""The task queue. It wakes work; what is due is always a row in the database."""

from celery import Celery

app = Celery("fallow")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
