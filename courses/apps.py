"""Django's entry to the app."""

from django.apps import AppConfig


class CoursesConfig(AppConfig):
    """See the architecture in DEVELOPERS.md."""

    name = "courses"
    default_auto_field = "django.db.models.BigAutoField"
