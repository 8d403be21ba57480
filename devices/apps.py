"""Django's entry to the app."""

from django.apps import AppConfig


class DevicesConfig(AppConfig):
    """See the architecture in DEVELOPERS.md."""

    name = "devices"
    default_auto_field = "django.db.models.BigAutoField"
