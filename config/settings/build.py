"""Building the image: static files are collected as in production, without any secret."""

from config.settings.base import *  # noqa: F403

SECRET_KEY = "build-only-" + "not-a-secret-" * 4
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}
