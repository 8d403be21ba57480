"""The service's settings for a test client, with the peer's addresses beside the service's."""

from config.settings.test import *  # noqa: F403
from config.settings.test import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "bench.peer"]
ROOT_URLCONF = "bench.peer.both_urls"
