"""What a Redis that somebody else runs must have before work is entrusted to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any
from urllib.parse import urlsplit

import redis

from service.redis_server import OLDEST_VERSION

_ASKED = ("appendonly", "appendfsync", "save", "maxmemory-policy")


class Severity(StrEnum):
    WARNING = "warning"
    REFUSAL = "refusal"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is not as it should be: a refusal stops the start, a warning is said in the log."""

    severity: Severity
    setting: str
    detail: str


def check_redis(client: redis.Redis) -> list[Finding]:
    """Look at a Redis's version, role, durability and eviction; give what is wrong, refusals first.

    Raises redis.RedisError when the server cannot be asked at all.
    """
    info = _info(client)
    config, forbidden = _config(client)
    findings = [*_version(info), *_role(info), *_eviction(info, config), *_durability(info, config)]
    if forbidden:
        findings.append(
            _warn(
                "CONFIG GET",
                "This Redis does not let its configuration be read, so nobody has checked that every write is on "
                "disk before it is acknowledged (appendfsync always). Check it where the server is run.",
            )
        )
    return sorted(findings, key=lambda one: one.severity is not Severity.REFUSAL)


def shown_url(url: str) -> str:
    """Give a Redis URL without user and password, for logs and messages."""
    parts = urlsplit(url)
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}{parts.path}"


def _info(client: redis.Redis) -> dict[str, Any]:
    return dict(client.info())


def _config(client: redis.Redis) -> tuple[dict[str, str], bool]:
    """Read the settings asked about; the second value says that the server forbids it."""
    found: dict[str, str] = {}
    try:
        for name in _ASKED:
            found.update({_text(key): _text(value) for key, value in client.config_get(name).items()})
    except redis.ResponseError:  # NOPERM, or "unknown command" where CONFIG is renamed away
        return {}, True
    return found, False


def _text(value: bytes | str | None) -> str:
    return value.decode() if isinstance(value, bytes) else value or ""


def _version(info: Mapping[str, Any]) -> list[Finding]:
    shown = str(info.get("redis_version", "0"))
    parts = tuple(int(part) for part in shown.split(".")[:2] if part.isdigit())
    if parts >= OLDEST_VERSION:
        return []
    return [_refuse("version", f"Redis 6.2 or later is needed; this one is {shown}.")]


def _role(info: Mapping[str, Any]) -> list[Finding]:
    findings = []
    if info.get("role") == "slave":
        findings.append(_refuse("role", "This Redis is a read-only replica; give the address of its primary."))
    if info.get("redis_mode") == "cluster":
        findings.append(_refuse("cluster-enabled", "A Redis cluster cannot be used: one write changes many keys."))
    return findings


def _eviction(info: Mapping[str, Any], config: Mapping[str, str]) -> list[Finding]:
    policy = config.get("maxmemory-policy", str(info.get("maxmemory_policy", "noeviction")))
    if policy == "noeviction":
        return []
    return [
        _refuse(
            "maxmemory-policy",
            f"maxmemory-policy is {policy}: this Redis would throw accepted jobs away when memory is short. "
            "Set it to noeviction.",
        )
    ]


def _durability(info: Mapping[str, Any], config: Mapping[str, str]) -> list[Finding]:
    appendonly = config.get("appendonly", "yes" if int(info.get("aof_enabled", 0)) else "no")
    if appendonly != "yes":
        return [_no_append_only(config.get("save"))]
    fsync = config.get("appendfsync", "always")
    if fsync == "always":
        return []
    return [
        _warn(
            "appendfsync",
            f"appendfsync is {fsync}: a crash of the machine can lose acknowledged jobs. Set it to always.",
        )
    ]


def _no_append_only(save: str | None) -> Finding:
    """Snapshots alone lose minutes and deserve a warning; with neither of the two nothing is kept."""
    if save == "":
        return _refuse(
            "appendonly",
            "appendonly is no and no snapshots are taken: a restart of this Redis would lose everything. "
            "Set appendonly yes and appendfsync always.",
        )
    return _warn(
        "appendonly",
        "appendonly is no: a crash of this Redis can lose acknowledged jobs. "
        "Set appendonly yes and appendfsync always.",
    )


def _refuse(setting: str, detail: str) -> Finding:
    return Finding(Severity.REFUSAL, setting, detail)


def _warn(setting: str, detail: str) -> Finding:
    return Finding(Severity.WARNING, setting, detail)
