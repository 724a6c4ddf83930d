"""Versions as ETags: If-Match before a change, If-None-Match before an answer (RFC 9110 section 13)."""

from __future__ import annotations

from dataclasses import dataclass

from flask import request
from werkzeug.datastructures import ETags

from workers.model.errors import VersionMismatchError, VersionRequiredError


@dataclass(frozen=True, slots=True)
class Expected:
    """What an If-Match header allows: any version, or those it names."""

    tags: ETags

    def require(self, version: int) -> int:
        """``version``, when it is allowed. Raises VersionMismatchError. Weak tags never match (strong comparison)."""
        if not self.tags.contains(str(version)):
            raise VersionMismatchError(f"the version is {version} now, If-Match named {self.tags.to_header()}")
        return version


def expected_version() -> Expected:
    """Raises VersionRequiredError where there is no If-Match header."""
    given = allowed_version()
    if given is None:
        raise VersionRequiredError('send the version you have seen as If-Match: "N" (its ETag), or If-Match: *')
    return given


def allowed_version() -> Expected | None:
    """What If-Match allows, or None without that header."""
    return Expected(request.if_match) if request.headers.get("If-Match", "").strip() else None


def etag_of(version: int) -> str:
    return f'"{version}"'


def is_current(etag: str) -> bool:
    """Whether If-None-Match says that the caller has this version already (weak comparison)."""
    header = request.headers.get("If-None-Match")
    return header is not None and request.if_none_match.contains_weak(etag.strip('"'))
