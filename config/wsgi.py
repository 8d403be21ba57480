"""The web application as WSGI servers load it."""

import gc
import os
from importlib import import_module

from django.conf import settings
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.production")

application = get_wsgi_application()

# Everything that requests need is loaded now, seconds before the first one comes.
import_module(settings.ROOT_URLCONF)
# What is loaded stays: later collections need not look at it, nor copy it after a fork.
gc.collect()
gc.freeze()
