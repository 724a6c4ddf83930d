"""A link that shows one job's result to whoever holds it, for a time."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A link as it is kept: ``digest`` is the SHA-256 of its secret in hex. Moments are UTC epoch seconds.

    key_id: the access key that it was made with; the link is good no longer than that key.
    """

    id: str
    job_id: str
    digest: str
    key_id: str
    key_name: str
    created_at: float
    expires_at: float
    revoked_at: float | None = None

    def is_good(self, now: float) -> bool:
        """Neither revoked nor past its end."""
        return self.revoked_at is None and now < self.expires_at
