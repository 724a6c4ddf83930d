"""The service's settings: one frozen dataclass, read from the environment in one place."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

PREFIX = "BOREWRIGHT_"
# Not a setting: the supervisor hands the WSGI server a socket that it holds across restarts.
LISTEN_FD = "BOREWRIGHT_LISTEN_FD"
REDIS_SCHEMES = ("redis", "rediss", "unix")
OPEN_ACCESS, KEYS_ACCESS = "open", "keys"
LOG_LEVELS = ("DEBUG", "INFO", "WARNING", "ERROR")
_SHOP_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")


class SettingsError(ValueError):
    """A setting that cannot be used; its text is one sentence for the person who set it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything that can be set from outside.

    `redis_url` None means that the service runs its own Redis inside `data_dir`. Port 0 means any free port.
    `upload_limit_bytes`, `triangle_limit`: of one mesh; `analysis_limit_s`, `analysis_memory_bytes`: what its analysis
    may take; `analyses_limit`, `analyses_limit_bytes`: meshes that may wait for theirs.
    Raises SettingsError at birth when a value makes no sense.
    """

    redis_url: str | None = None
    data_dir: Path = field(default_factory=lambda: default_data_dir({}))
    host: str = "127.0.0.1"
    port: int = 8787
    access: str = OPEN_ACCESS  # open: whoever reaches it may do everything, so on loopback only; or keys
    rate_limit_per_min: int = 0  # requests of one key, or of one address without one; 0: no limit
    workers: int = 2
    api_processes: int = 2
    api_threads: int = 16
    log_level: str = "INFO"
    body_limit_bytes: int = 64 * 1024 * 1024  # a batch of 5,000 jobs with curves and profiles is some 25 MB
    batch_limit: int = 5_000
    inbox_limit: int = 200_000
    page_limit: int = 200
    hung_after_s: int = (
        20  # without a sign of life for so long a worker or an API process is killed (engineering prior)
    )
    event_streams: int = 8  # held open at once, a process
    webhook_private_addresses: int = 0  # 1: webhooks may call loopback, link-local and private addresses
    upload_limit_bytes: int = 64 * 1024 * 1024
    triangle_limit: int = 1_000_000
    analysis_limit_s: int = 60
    analysis_memory_bytes: int = 3 * 1024**3
    analyses_limit: int = 200
    analyses_limit_bytes: int = 512 * 1024 * 1024
    shop: str = "main"

    def __post_init__(self) -> None:
        _check_redis_url(self.redis_url)
        _check_choice("log_level", self.log_level, LOG_LEVELS)
        _check_choice("access", self.access, (OPEN_ACCESS, KEYS_ACCESS))
        if not self.host.strip():
            raise SettingsError(f"{_variable('host')} must not be empty.")
        if self.access == OPEN_ACCESS and not is_loopback(self.host):
            raise SettingsError(
                f"{_variable('host')} is {self.host!r}, which others can reach, and {_variable('access')} is open: "
                f"whoever reaches it could change the shop. Set {_variable('access')}=keys, or listen on 127.0.0.1."
            )
        if not _SHOP_NAME.fullmatch(self.shop):
            raise SettingsError(
                f"{_variable('shop')} is {self.shop!r}; it must be 1 to 40 of a-z, 0-9, _ and -, "
                "and begin with a letter or a figure."
            )
        for name, (low, high) in _RANGES.items():
            _check_range(name, getattr(self, name), low, high)

    @classmethod
    def from_env(cls, environ: Mapping[str, str], **overrides: Any) -> Settings:
        """Read BOREWRIGHT_* from `environ`; `overrides` that are not None win over it.

        An empty variable counts as unset. Raises SettingsError naming the variable.
        """
        values: dict[str, Any] = {"data_dir": default_data_dir(environ)}
        for one in fields(cls):
            text = environ.get(_variable(one.name), "").strip()
            if text:
                values[one.name] = _parse(one.name, text)
        values.update({name: value for name, value in overrides.items() if value is not None})
        return cls(**values)

    def to_env(self) -> dict[str, str]:
        """Give the BOREWRIGHT_* variables from which `from_env` reads these same settings."""
        values = {one.name: getattr(self, one.name) for one in fields(self)}
        return {_variable(name): str(value) for name, value in values.items() if value is not None}

    def with_redis_url(self, url: str) -> Settings:
        return replace(self, redis_url=url)


# Lowest and highest value of each whole number. Bounds are wide: they catch slips, not opinions.
_RANGES: dict[str, tuple[int, int]] = {
    "port": (0, 65_535),
    "rate_limit_per_min": (0, 1_000_000),
    "workers": (1, 256),
    "api_processes": (1, 64),
    "api_threads": (1, 512),
    "body_limit_bytes": (1_024, 1_024**3),
    "batch_limit": (1, 5_000),
    "inbox_limit": (1, 10_000_000),
    "page_limit": (1, 1_000),
    "hung_after_s": (2, 3_600),
    "event_streams": (1, 500),
    "webhook_private_addresses": (0, 1),
    "upload_limit_bytes": (1_024, 1_024**3 // 2),  # Redis keeps no value above 512 MiB
    "triangle_limit": (100, 100_000_000),
    "analysis_limit_s": (1, 3_600),
    "analysis_memory_bytes": (256 * 1_024**2, 1_024**4),
    "analyses_limit": (1, 100_000),
    "analyses_limit_bytes": (1_024, 1_024**4),
}


@lru_cache(maxsize=256)
def is_loopback(host: str) -> bool:
    """Whether a name or address means this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def default_data_dir(environ: Mapping[str, str]) -> Path:
    """Give the user's data folder for this program (XDG Base Directory Specification 0.8, XDG_DATA_HOME).

    The specification says that a relative XDG_DATA_HOME is invalid and to be ignored.
    """
    home = environ.get("XDG_DATA_HOME", "")
    base = Path(home) if home and Path(home).is_absolute() else Path.home() / ".local" / "share"
    return base / "borewright"


def host_word() -> str:
    """Give this host's name in the letters that a worker's name may have: A-Z, a-z, 0-9, _ and -."""
    return re.sub(r"[^A-Za-z0-9_-]+", "-", socket.gethostname()) or "host"


def _variable(name: str) -> str:
    return PREFIX + name.upper()


def _parse(name: str, text: str) -> Any:
    if name in _RANGES:
        try:
            return int(text)
        except ValueError:
            raise SettingsError(f"{_variable(name)} is {text!r}; it must be a whole number.") from None
    if name == "data_dir":
        return Path(text).expanduser()
    return text.upper() if name == "log_level" else text


def _check_range(name: str, value: int, low: int, high: int) -> None:
    if not low <= value <= high:
        raise SettingsError(f"{_variable(name)} is {value}; it must be from {low} to {high}.")


def _check_choice(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value not in allowed:
        raise SettingsError(f"{_variable(name)} is {value!r}; it must be one of {', '.join(allowed)}.")


def _check_redis_url(url: str | None) -> None:
    # The value is not repeated in the message: it may hold a password.
    if url is not None and urlsplit(url).scheme not in REDIS_SCHEMES:
        raise SettingsError(f"{_variable('redis_url')} must begin with redis://, rediss:// or unix://.")
