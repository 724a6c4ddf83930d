"""Names of the keys in Redis, in one place.

Every key of a shop carries the hash tag ``{shop}``: a MULTI or script touches one slot only, so a cluster
can later hold many shops without a change here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Keys:
    shop: str = "main"

    def _key(self, *parts: str) -> str:
        return ":".join((f"bw:{{{self.shop}}}", *parts))

    def kind(self, plural: str) -> str:
        """Hash id -> JSON of one kind of thing (machines, nozzles, ...)."""
        return self._key(plural)

    @property
    def revision(self) -> str:
        return self._key("revision")

    @property
    def emphasis(self) -> str:
        return self._key("emphasis")

    def job(self, job_id: str) -> str:
        """Hash: doc, state, version, attempt, created_at, updated_at, reason, routing."""
        return self._key("job", job_id)

    @property
    def jobs(self) -> str:
        """Sorted set of all job ids, scores 0: the ids sort by time."""
        return self._key("jobs")

    def jobs_in(self, state: str) -> str:
        return self._key("jobs", state)

    @property
    def inbox(self) -> str:
        """Stream of jobs that wait to be routed."""
        return self._key("inbox")

    @property
    def bell(self) -> str:
        """Present while a drain task is rung and not yet begun."""
        return self._key("bell")

    @property
    def events(self) -> str:
        return self._key("events")

    def history(self, subject: str) -> str:
        return self._key("history", subject)

    def idempotency(self, scope: str, key_digest: str) -> str:
        return self._key("idempotency", scope, key_digest)

    @property
    def counters(self) -> str:
        """Hash of counters for the metrics page."""
        return self._key("counters")

    def lock(self, name: str) -> str:
        return self._key("lock", name)
