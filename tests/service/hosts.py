"""Hosts on one machine: network namespaces joined by bridges (iproute2), each with a host name of its own. Linux, root.

Two networks, as in docker-compose.yml: the store's, where the workers are too, and the one in front of the API. All
traffic stays inside; the machine's own network is not touched. Names carry the process id of the test: what a test
that was killed has left behind is swept away by the next.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.service.processes import Running, is_alive, running

CLONE_NEWNET = 0x40000000  # <linux/sched.h>
FORWARDING, DISABLED = "3", "0"  # states of a bridge's port: bridge(8)
NAMESPACES = Path("/run/netns")
_NAME = re.compile(r"bwtest-(\d+)-\w+")


def require_namespaces() -> None:
    """Skip the test, with the reason, where namespaces cannot be made."""
    missing = [tool for tool in ("ip", "bridge", "unshare", "hostname") if shutil.which(tool) is None]
    if missing:
        pytest.skip(f"{', '.join(missing)} not found (Debian: apt-get install iproute2 util-linux hostname)")
    if os.geteuid() != 0:
        pytest.skip("network namespaces can only be made by root")
    sweep()


def sweep() -> None:
    """Remove the namespaces, and end the processes in them, whose test is no more."""
    names = [entry.name for entry in NAMESPACES.iterdir()] if NAMESPACES.is_dir() else []
    for name in names:
        found = _NAME.fullmatch(name)
        if found and not is_alive(int(found[1])):
            _remove(name)


def _remove(name: str) -> None:
    for pid in _ip("netns", "pids", name).split():
        with contextlib.suppress(ProcessLookupError):
            os.kill(int(pid), signal.SIGKILL)
    _ip("netns", "delete", name)


def _ip(*arguments: str) -> str:
    return _run("ip", *arguments)


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr}"
    return done.stdout


@dataclass(frozen=True)
class Host:
    """One host. addresses: by the name of the network; port: its end at each network's bridge."""

    name: str
    namespace: str
    switch: str
    addresses: dict[str, str] = field(default_factory=dict)

    def command(self, *command: str) -> list[str]:
        """The command, run in this host's network and under its name."""
        named = ("unshare", "--uts", "sh", "-c", 'hostname "$0" && exec "$@"', self.name)
        return ["ip", "netns", "exec", self.namespace, *named, *command]

    @contextmanager
    def running(self, command: list[str], log_file: Path, **environ: str) -> Iterator[Running]:
        with running(self.command(*command), log_file, **environ) as process:
            yield process

    def inside(self, work: Callable[[], Any]) -> Any:
        """Do the work in a thread of this host's network; threads that it starts are there too."""
        result: list[Any] = []
        failure: list[BaseException] = []

        def enter() -> None:
            try:
                with (NAMESPACES / self.namespace).open() as file:
                    _set_network(file.fileno())
                result.append(work())
            except BaseException as error:  # noqa: BLE001 - handed on to the caller
                failure.append(error)

        thread = threading.Thread(target=enter)
        thread.start()
        thread.join()
        if failure:
            raise failure[0]
        return result[0]

    @contextmanager
    def link_down(self, network: str) -> Iterator[None]:
        """Its cable is pulled: the network card sees it."""
        _ip("-n", self.switch, "link", "set", self._port(network), "down")
        try:
            yield
        finally:
            _ip("-n", self.switch, "link", "set", self._port(network), "up")

    @contextmanager
    def packets_dropped(self, network: str) -> Iterator[None]:
        """Its packets vanish on the way, both ways: nobody is told."""
        self._set_port(network, DISABLED)
        try:
            yield
        finally:
            self._set_port(network, FORWARDING)

    def _set_port(self, network: str, state: str) -> None:
        command = ("bridge", "link", "set", "dev", self._port(network), "state", state)
        _run("ip", "netns", "exec", self.switch, *command)

    def _port(self, network: str) -> str:
        return f"{network}-{self.name}"[:15]


def _set_network(fd: int) -> None:
    if ctypes.CDLL(None, use_errno=True).setns(fd, CLONE_NEWNET) != 0:
        raise OSError(ctypes.get_errno(), "setns")


class Networks:
    """Bridges in a namespace of their own and the hosts on them. To be used as a context manager."""

    def __init__(self, *names: str) -> None:
        self._names, self._made = names, ExitStack()
        self._switch = self._namespace("switch")

    def __enter__(self) -> Networks:
        self._add(self._switch)
        for name in self._names:
            _ip("-n", self._switch, "link", "add", name, "type", "bridge")
            _ip("-n", self._switch, "link", "set", name, "up")
        return self

    def __exit__(self, *_: object) -> None:
        self._made.close()

    def host(self, name: str, number: int, *networks: str) -> Host:
        """A host with an address on each of the networks, the number last in it."""
        namespace = self._namespace(name)
        self._add(namespace)
        _ip("-n", namespace, "link", "set", "lo", "up")
        addresses = {one: f"10.{self._names.index(one) + 1}.0.{number}" for one in networks}
        made = Host(name, namespace, self._switch, addresses)
        for network, address in addresses.items():
            self._connect(made, network, address)
        return made

    def _connect(self, host: Host, network: str, address: str) -> None:
        port, card = host._port(network), f"to-{network}"
        _ip("-n", self._switch, "link", "add", port, "type", "veth", "peer", "name", card, "netns", host.namespace)
        _ip("-n", self._switch, "link", "set", port, "master", network, "up")
        _ip("-n", host.namespace, "address", "add", f"{address}/24", "dev", card)
        _ip("-n", host.namespace, "link", "set", card, "up")

    def _add(self, namespace: str) -> None:
        _ip("netns", "add", namespace)
        self._made.callback(_remove, namespace)

    @staticmethod
    def _namespace(name: str) -> str:
        return f"bwtest-{os.getpid()}-{name}"


def stays(met: Callable[[], object], seconds: float) -> bool:
    """Whether it is so all the while."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if not met():
            return False
        time.sleep(0.2)
    return True
