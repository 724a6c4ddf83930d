"""Who may do what: access keys with scopes, signed-in browsers, and the trail of what was asked."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Scope(StrEnum):
    """What a key may do; none contains another, so a key carries each that it needs.

    read: see everything but keys and the trail. hand-in: parts and jobs. operate: run the shop (mount, load, claim,
    move, measure). administer: change what the shop is made of, and who gets in.
    """

    READ = "read"
    HAND_IN = "hand-in"
    OPERATE = "operate"
    ADMINISTER = "administer"


ALL_SCOPES = tuple(Scope)


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessKey:
    """A key as it is kept: ``digest`` is the SHA-256 of its secret in hex. Moments are UTC epoch seconds."""

    id: str
    name: str
    scopes: tuple[Scope, ...]
    digest: str
    created_at: float
    expires_at: float | None = None
    revoked_at: float | None = None
    version: int = 1

    def is_good(self, now: float) -> bool:
        """Neither revoked nor past its end."""
        return self.revoked_at is None and (self.expires_at is None or now < self.expires_at)


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One line of the trail: a request that changes something, and how it was answered.

    key_id: None where nobody was known. address: of the caller, as the server saw it.
    """

    id: str
    at: float
    key_id: str | None
    key_name: str
    method: str
    path: str
    status: int
    address: str
