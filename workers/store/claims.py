"""Claims in Redis: taken, renewed, given back and finished, each in one script, by the store's own clock."""

from __future__ import annotations

import secrets
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import redis

from workers.model import ids
from workers.model.codec import to_json
from workers.model.dispatch import Claim, ClaimState
from workers.model.errors import (
    ConflictError,
    FieldProblem,
    IdempotencyKeyReusedError,
    InvalidError,
    NotFoundError,
)
from workers.model.outcome import Report
from workers.store.events import EVENTS_KEPT
from workers.store.keys import Keys
from workers.store.scripts import script_keys, script_text

LAPSE_ROUNDS = 100
LOOK_AGAIN_S = 60
CHUNK = 200  # claims read at a time
REACHING_IN = 5  # claims before a window that are looked at: one machine holds one, and a lapsed one may finish late


class BusyError(ConflictError):
    """The machine holds a claim already."""

    slug, title = "machine-busy", "The machine prints something else now"


class ClaimOverError(ConflictError):
    """The claim cannot be used any more: its copy is with somebody else, or has ended."""

    slug, title = "claim-over", "This claim is over"


@dataclass(frozen=True, slots=True, kw_only=True)
class Taking:
    """A request for work. claim_id: the same id again gives the same claim, never a second one."""

    machine_id: str
    claimant: str
    lease_s: float
    claim_id: str


@dataclass(frozen=True, slots=True)
class Nothing:
    """Why there is nothing to print now."""

    reason: str


WHY_NOTHING = {
    "nothing": "no copy waits on this machine's dispatch list",
    "nozzle-off": "the jobs that wait need nozzles that are not on this machine now",
}


def new_claim_id() -> str:
    return ids.encode(int(time.time() * 1000), secrets.randbits(80))


class ClaimRepository:
    """Each call first lets lapse what is past its lease."""

    def __init__(self, client: redis.Redis, keys: Keys) -> None:
        self._redis, self._keys, self._names = client, keys, script_keys(keys)
        self._script = client.register_script(script_text("claims.lua"))

    def take(self, taking: Taking) -> Claim | Nothing:
        """The first copy that waits on the machine's list, if there is one.

        Raises NotFoundError, ConflictError for a machine that is down, BusyError for one that holds a claim,
        IdempotencyKeyReusedError where the id was used for another request.
        """
        lease_ms = round(taking.lease_s * 1000)
        digest = f"{taking.machine_id} {lease_ms} {taking.claimant}"
        word, claim = self._run("take", [taking.claim_id, taking.machine_id, taking.claimant, lease_ms, digest])
        if word in WHY_NOTHING:
            if word == "nozzle-off":
                self._have_looked_at(taking.machine_id)
            return Nothing(WHY_NOTHING[word])
        if word == "no-machine":
            raise NotFoundError(f"no machine has the id {taking.machine_id!r}")
        if word == "down":
            raise ConflictError(f"machine {taking.machine_id!r} is down: bring it up first")
        if word == "busy":
            raise BusyError(f"machine {taking.machine_id!r} holds a claim already: finish it or give it back first")
        if word == "reused":
            raise IdempotencyKeyReusedError("the key was used before with a different request body")
        return claim_of(taking.claim_id, claim)

    def _have_looked_at(self, machine_id: str) -> None:
        """Have the machine's jobs scored again, once in a while: one that printed while its nozzle went has waited."""
        if self._redis.set(self._keys.lock(f"nozzle-off:{machine_id}"), "1", nx=True, ex=LOOK_AGAIN_S):
            self._redis.sadd(self._keys.changes_recheck, machine_id)

    def renew(
        self,
        claim_id: str,
        progress: float | None = None,
        lease_s: float | None = None,
        spool_id: str | None = None,
    ) -> Claim:
        """Hold on for another lease; a lapsed claim is held again while its copy is free and its machine idle.

        Raises NotFoundError, ClaimOverError, InvalidError at /spool_id.
        """
        told = "" if progress is None else repr(progress)
        lease = "" if lease_s is None else str(round(lease_s * 1000))
        return self._own(claim_id, *self._run("renew", [claim_id, told, lease, spool_id or ""]))

    def give_back(self, claim_id: str, reason: str = "") -> Claim:
        """The copy returns to its place. Raises NotFoundError, ClaimOverError."""
        return self._own(claim_id, *self._run("give-back", [claim_id, reason]))

    def finish(self, claim_id: str, report: Report, *, remake: bool = False, spool_id: str | None = None) -> Claim:
        """The copy has ended; scrapped and to be made again, it waits in its place. The same report twice is one.

        After a lapse this is taken while the copy is free. Raises NotFoundError, ClaimOverError, InvalidError at
        /spool_id.
        """
        args = [claim_id, int(report.accepted), to_json(report), int(remake), spool_id or ""]
        return self._own(claim_id, *self._run("finish", args))

    def lapse(self) -> int:
        """Let lapse all that is past its lease; gives how many did."""
        lapsed = 0
        for _ in range(LAPSE_ROUNDS):
            more = int(self._script(keys=self._names, args=[self._keys.prefix, EVENTS_KEPT, "lapse"]))
            if not more:
                break
            lapsed += more
        return lapsed

    def get(self, claim_id: str) -> Claim:
        """Raises NotFoundError."""
        self.lapse()
        row: Any = self._redis.hgetall(self._keys.claim(claim_id))
        if not row:
            raise _unknown(claim_id)
        return claim_of(claim_id, row)

    def held(self) -> list[Claim]:
        """The claims held now, the one that lapses first ahead."""
        self.lapse()
        found: Any = self._redis.zrange(self._keys.leases, 0, -1)
        return self.get_many([raw.decode() for raw in found])

    def get_many(self, claim_ids: Sequence[str]) -> list[Claim]:
        """Those of the claims that are still kept, in the order asked for."""
        with self._redis.pipeline(transaction=False) as pipe:
            for claim_id in claim_ids:
                pipe.hgetall(self._keys.claim(claim_id))
            rows = pipe.execute()
        return [claim_of(claim_id, row) for claim_id, row in zip(claim_ids, rows, strict=True) if row]

    def of_machine(self, machine_id: str, since: float, until: float) -> Iterator[Claim]:
        """The claims of a machine taken from ``since`` to ``until``, and the few before that may reach into it.

        Read in chunks, in the order in which they were taken.
        """
        name, start = self._keys.machine_claims(machine_id), round(since * 1000)
        before: Any = self._redis.zrevrangebyscore(name, f"({start}", "-inf", start=0, num=REACHING_IN)
        yield from self.get_many([raw.decode() for raw in reversed(before)])
        offset = 0
        while True:
            found: Any = self._redis.zrangebyscore(name, start, round(until * 1000), start=offset, num=CHUNK)
            if not found:
                return
            yield from self.get_many([raw.decode() for raw in found])
            offset += len(found)

    def to_report(self, limit: int = 100) -> list[str]:
        """Finished claims whose outcome is not recorded yet."""
        found: Any = self._redis.srandmember(self._keys.claims_to_report, limit)
        return sorted(raw.decode() for raw in found or ())

    def _own(self, claim_id: str, word: str, claim: Mapping[bytes, bytes]) -> Claim:
        if word == "unknown":
            raise _unknown(claim_id)
        if word == "over":
            raise ClaimOverError(_why_over(claim_of(claim_id, claim)))
        if word == "wrong-spool":
            detail = "no spool of the claim's material has this id"
            raise InvalidError(detail, fields=(FieldProblem("/spool_id", detail),))
        return claim_of(claim_id, claim)

    def _run(self, operation: str, args: Sequence[Any]) -> tuple[str, dict[bytes, bytes]]:
        """The script's word, and the claim's hash where it gives one."""
        reply: Any = self._script(keys=self._names, args=[self._keys.prefix, EVENTS_KEPT, operation, *args])
        return reply[0].decode(), dict(zip(reply[1::2], reply[2::2], strict=True))


def claim_of(claim_id: str, row: Mapping[bytes, bytes]) -> Claim:
    text = {name.decode(): value.decode() for name, value in row.items()}
    return Claim(
        id=claim_id,
        state=ClaimState(text["state"]),
        job_id=text["job_id"],
        copy=int(text["copy"]),
        machine_id=text["machine_id"],
        nozzle_id=text["nozzle_id"],
        material_id=text["material_id"],
        claimant=text["claimant"],
        lease_s=int(text["lease_ms"]) / 1000.0,
        taken_at=float(text["taken_at"]),
        expires_at=int(text["expires_ms"]) / 1000.0,
        version=int(text["version"]),
        progress=float(text["progress"]),
        ended_at=float(text["ended_at"]) if "ended_at" in text else None,
        accepted=text["accepted"] == "1" if "accepted" in text else None,
        late=text.get("late") == "1",
        reason=text.get("reason", ""),
        report=text.get("report", ""),
        spool_id=text.get("spool_id"),
    )


def _unknown(claim_id: str) -> NotFoundError:
    return NotFoundError(f"no claim has the id {claim_id!r}")


def _why_over(claim: Claim) -> str:
    if claim.state is ClaimState.LAPSED:
        return f"the lease has lapsed, and copy {claim.copy} of {claim.job_id} is with somebody else or has ended"
    return f"the claim is {claim.state}"
