"""Django's entry to the app."""

from django.apps import AppConfig


class ClinicsConfig(AppConfig):
    """See the architecture in DEVELOPERS.md."""

    name = "clinics"
    default_auto_field = "django.db.models.BigAutoField"
