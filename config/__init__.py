"""Wiring of the service: settings, addresses, task queue, local servers. Imports everything."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
