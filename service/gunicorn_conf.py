"""The WSGI server's settings: read by gunicorn itself (`gunicorn -c python:service.gunicorn_conf`).

Names are gunicorn's own; an older gunicorn passes over those that it does not know.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from gunicorn.glogging import Logger

from service.log import configure_logging, line_formatter
from service.settings import LISTEN_FD, Settings

_settings = Settings.from_env(os.environ)
_fd = os.environ.get(LISTEN_FD)
_host = f"[{_settings.host}]" if ":" in _settings.host else _settings.host

bind = f"fd://{_fd}" if _fd else f"{_host}:{_settings.port}"
preload_app = True  # imported once, its memory shared; it opens no connection before the first request
worker_class = "service.paced_server.PacedWorker"  # plain threads hold event streams open without blocking the rest
sendfile = False  # it would go past the pace that callers have to keep
workers = _settings.api_processes
threads = _settings.api_threads
timeout = _settings.hung_after_s  # seconds without a sign of life from a process, whatever its requests take
graceful_timeout = 5  # seconds for requests in hand after SIGTERM; event streams reconnect by themselves
keepalive = 15
control_socket_disable = True  # it would lie outside the data folder
accesslog = None
errorlog = "-"
loglevel = _settings.log_level.lower()
if Path("/dev/shm").is_dir():  # nosec B108  # only looked for
    worker_tmp_dir = "/dev/shm"  # nosec B108  # signs of life must not wait for a slow disk


class LineLogger(Logger):  # type: ignore[misc]  # gunicorn has no types
    """Gives gunicorn's own lines the form of ours."""

    def setup(self, cfg: Any) -> None:
        super().setup(cfg)
        for handler in self.error_log.handlers:
            handler.setFormatter(line_formatter())


logger_class = LineLogger


def post_fork(server: Any, worker: Any) -> None:
    configure_logging(_settings.log_level)
