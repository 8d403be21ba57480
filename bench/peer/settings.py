"""The service's settings, with the peer's addresses in the place of the service's."""

from config.settings.production import *  # noqa: F403
from config.settings.production import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "bench.peer"]
ROOT_URLCONF = "bench.peer.urls"
