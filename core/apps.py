"""The kernel as a Django app."""

from django.apps import AppConfig


class CoreConfig(AppConfig):
    """Errors, transactions, spans and the manners of the API; knows no clinic."""

    name = "core"
    verbose_name = "Kernel"
