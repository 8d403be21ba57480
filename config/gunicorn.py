"""How the web server runs; every number can be set from the environment."""

import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

from config.server_log import ServerLog
from config.unread import answer_with_problems, tell_no_server

# What answers requests sees one chain at a time: core/isolation.
os.environ.setdefault("FALLOW_DATABASE_ROLE", "fallow_app")
_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
# The processes of this host count requests together: core/api/traffic. Told before the
# application is loaded, which is when the counts choose where they are kept.
os.environ["PROMETHEUS_MULTIPROC_DIR"] = tempfile.mkdtemp(prefix="fallow-traffic-", dir=_memory)

bind = f"{os.environ.get('HOST', '127.0.0.1')}:{os.environ.get('PORT', '8000')}"
workers = int(os.environ.get("WEB_CONCURRENCY", "2"))
threads = int(os.environ.get("FALLOW_WEB_THREADS", "4"))
worker_class = "gthread"
# A connection for each thread, in one pool for each process; no statement outlives its request.
os.environ.setdefault("FALLOW_DATABASE_CONNECTIONS", str(threads))
os.environ.setdefault("FALLOW_STATEMENT_SECONDS", "25")
# Loaded once, before the fork: a worker that takes the place of another serves at once.
preload_app = True
timeout = 30
graceful_timeout = 20
keepalive = 5
# A worker is renewed now and then, not all at once.
max_requests = 10_000
max_requests_jitter = 1_000
# The heartbeat file wants memory, not a slow disk.
worker_tmp_dir = _memory
control_socket_disable = True
# Addresses and headers longer than this are refused before they reach the application.
limit_request_line = 4_094
limit_request_fields = 60
limit_request_field_size = 8_190
answer_with_problems()
tell_no_server()
# A line for each request comes from the application, with its id.
accesslog = None
errorlog = "-"
loglevel = os.environ.get("FALLOW_LOG_LEVEL", "INFO").lower()
logger_class = ServerLog


def on_exit(_server: Any) -> None:
    """The folder of the counts goes with the server."""
    shutil.rmtree(os.environ["PROMETHEUS_MULTIPROC_DIR"], ignore_errors=True)
