"""`borewright up`: Redis, workers and the WSGI server as children of one supervisor."""

from __future__ import annotations

import http.client
import logging
import os
import socket
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace
from functools import partial

import redis

from service.child import Child
from service.folder_lock import FolderLock
from service.log import event
from service.redis_check import Severity, check_redis, shown_url
from service.redis_server import ONE_TRY, EmbeddedRedis, last_lines
from service.settings import LISTEN_FD, Settings, host_word
from service.supervisor import Supervisor
from service.worker_health import worker_is_registered

log = logging.getLogger(__name__)

PYTHON = (sys.executable, "-P")  # -P: a folder named service where the user stands is not ours
WORKER_COMMAND = (*PYTHON, "-m", "service.cli", "worker")
API_COMMAND = (
    *PYTHON,
    "-m",
    "gunicorn",
    "-c",
    "python:service.gunicorn_conf",
    "service.app:create_app()",
)
REDIS_STAGE, WORKER_STAGE, API_STAGE = 0, 1, 2
WORKER_STOP_S = 20.0  # a worker may finish the batch in its hands (engineering prior)
PLANNING_STOP_S = 1.0  # a long task may take minutes: the next start begins it again
PLANNING_PATIENCE = 6  # times as long: it may be in a solver that lets no thread of its process run
API_STOP_S = 8.0  # longer than gunicorn's own graceful_timeout
REDIS_STOP_S = 30.0
OUTSIDE_REDIS_S = 60.0  # how long an outside Redis may take to load its data


class StartError(RuntimeError):
    """The service cannot start; the text is one sentence for the user."""


def run_up(settings: Settings) -> int:
    """Run everything until SIGTERM or SIGINT; gives the exit code.

    Raises StartError, FolderInUseError or RedisServerError before anything is started.
    """
    settings = replace(settings, data_dir=settings.data_dir.absolute())
    with ExitStack() as stack:
        listener = stack.enter_context(_listen(settings.host, settings.port))
        settings = replace(settings, port=listener.getsockname()[1])
        redis_children: list[Child] = []
        prefix = ""
        if settings.redis_url is None:
            lock = stack.enter_context(FolderLock(settings.data_dir))
            server = EmbeddedRedis(settings.data_dir / "redis")
            stack.callback(server.close)
            redis_children.append(_redis_child(server, lock))
            settings = settings.with_redis_url(server.url)
        else:
            require_sound_redis(settings.redis_url)
            # Others may work on the same Redis. A worker takes up again what its namesake had in hand.
            prefix = f"{host_word()}-{settings.port}-"
        supervisor = Supervisor(
            [*redis_children, *_worker_children(settings, prefix), _api_child(settings, listener)],
            on_ready=partial(_say_ready, settings),
            on_stopping=listener.close,  # new callers are refused instead of left waiting
        )
        code = supervisor.run()
        if code:
            _explain_failed_start(redis_children, settings)
        return code


def require_sound_redis(url: str, patience_s: float = OUTSIDE_REDIS_S) -> None:
    """Check an outside Redis: warnings go to the log, a refusal raises StartError."""
    with redis.Redis.from_url(url, socket_timeout=10.0, socket_connect_timeout=10.0) as client:
        try:
            _wait_while_loading(client, patience_s)
            findings = check_redis(client)
        except redis.RedisError as error:
            raise StartError(f"The Redis at {shown_url(url)} cannot be used: {error}.") from error
    for finding in findings:
        if finding.severity is Severity.REFUSAL:
            raise StartError(f"The Redis at {shown_url(url)} cannot be used: {finding.detail}")
        log.warning(event(finding.detail, redis=shown_url(url), setting=finding.setting))


def _wait_while_loading(client: redis.Redis, patience_s: float) -> None:
    deadline = time.monotonic() + patience_s
    while True:
        try:
            client.ping()
        except redis.BusyLoadingError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)
        else:
            return


def _listen(host: str, port: int) -> socket.socket:
    """Open the service's socket before anything else, so that a taken port is said at once."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=1024)
    except OSError as error:
        words = error.strerror or str(error)
        raise StartError(f"Cannot listen on {host} port {port}: {words}. Choose another --port.") from error


def _redis_child(server: EmbeddedRedis, lock: FolderLock) -> Child:
    return Child(
        name="redis",
        command=server.command,
        stage=REDIS_STAGE,
        ready=lambda pid: server.is_ready(),
        keep_fds=(lock.fd,),
        stop_s=REDIS_STOP_S,
    )


def _worker_children(settings: Settings, prefix: str) -> list[Child]:
    ready = _registration_probe(settings)
    queues = [("routing", number) for number in range(1, settings.workers + 1)] + [("geometry", 1), ("planning", 1)]
    return [
        Child(
            name=f"{queue}-worker-{number}",
            command=(*WORKER_COMMAND, "--queue", queue, "--name", f"{prefix}{queue}-{number}"),
            stage=WORKER_STAGE,
            environ=child_environ(settings),
            ready=ready,
            stop_s=PLANNING_STOP_S if queue == "planning" else WORKER_STOP_S,
            hung_after_s=settings.hung_after_s * (PLANNING_PATIENCE if queue == "planning" else 1.0),
        )
        for queue, number in queues
    ]


def _registration_probe(settings: Settings) -> Callable[[int], bool]:
    client = redis.Redis.from_url(settings.redis_url or "", socket_timeout=2.0, retry=ONE_TRY)
    return partial(worker_is_registered, client)


def _api_child(settings: Settings, listener: socket.socket) -> Child:
    fd = listener.fileno()
    return Child(
        name="api",
        command=API_COMMAND,
        stage=API_STAGE,
        environ=child_environ(settings) | {LISTEN_FD: str(fd)},
        ready=lambda pid: _answers(settings),
        keep_fds=(fd,),
        stop_s=API_STOP_S,
    )


def child_environ(settings: Settings) -> dict[str, str]:
    """Give the environment of workers and the WSGI server: ours, the settings, one thread a matrix product."""
    threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    return {**os.environ, **settings.to_env(), **threads}


def _answers(settings: Settings) -> bool:
    """Say whether GET /healthz answers 200."""
    connection = http.client.HTTPConnection(_reachable(settings.host), settings.port, timeout=1.0)
    try:
        connection.request("GET", "/healthz")
        return connection.getresponse().status == http.client.OK
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()


def _reachable(host: str) -> str:
    """Give an address to call when the service listens on all of them."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(host, host)  # nosec B104  # no bind: an address to call


def address(settings: Settings) -> str:
    host = _reachable(settings.host)
    return f"http://[{host}]:{settings.port}/" if ":" in host else f"http://{host}:{settings.port}/"


def _say_ready(settings: Settings) -> None:
    print(f"Borewright is ready at {address(settings)}", flush=True)


def _explain_failed_start(redis_children: list[Child], settings: Settings) -> None:
    """Say where to look; a Redis that cannot read its file writes the reason into its own log only."""
    log_file = settings.data_dir / "redis" / "redis.log"
    tail = last_lines(log_file, 3) if redis_children else ""
    if tail:
        log.error(event("last words of the embedded Redis", file=log_file, text=tail))
