"""How the web server runs; every number can be set from the environment."""

import os
from pathlib import Path

# What answers requests sees one chain at a time: core/isolation.
os.environ.setdefault("FALLOW_DATABASE_ROLE", "fallow_app")

bind = f"{os.environ.get('HOST', '127.0.0.1')}:{os.environ.get('PORT', '8000')}"
workers = int(os.environ.get("WEB_CONCURRENCY", "2"))
threads = int(os.environ.get("FALLOW_WEB_THREADS", "4"))
worker_class = "gthread"
# Loaded once, before the fork: a worker that takes the place of another serves at once.
preload_app = True
timeout = 30
graceful_timeout = 20
keepalive = 5
# A worker is renewed now and then, not all at once.
max_requests = 10_000
max_requests_jitter = 1_000
# The heartbeat file wants memory, not a slow disk.
worker_tmp_dir = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
control_socket_disable = True
# Log lines come from the application, with the id of the request.
accesslog = None
errorlog = "-"
