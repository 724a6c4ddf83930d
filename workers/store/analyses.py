"""The workers' side of parts: claimed for a time, their progress noted, the result committed once."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import redis
from redis.commands.core import Script

from workers.model.codec import to_json
from workers.model.job import JobState
from workers.model.part_record import PartPose, PartProblem, PartState
from workers.store.events import EVENTS_KEPT
from workers.store.keys import Keys


@dataclass(frozen=True, slots=True)
class Claim:
    """One worker's right to analyse one part; it lapses by itself. attempt counts from 1."""

    part_id: str
    token: str
    attempt: int


class Analyses:
    """``clock`` gives UTC epoch seconds for the records; claims run on the store's own clock."""

    def __init__(self, client: redis.Redis, keys: Keys, clock: Callable[[], float] = time.time) -> None:
        self._redis, self._keys, self._clock = client, keys, clock
        self._claim, self._progress, self._return, self._commit = (
            _script(client, name) for name in ("claim", "progress", "return", "commit")
        )

    def claim(self, holder: str, claim_s: float) -> Claim | None:
        """The part that waits longest, among them those whose claim has lapsed; None when nothing waits."""
        token, prefix = secrets.token_hex(8), self._keys.part("")
        args: list[Any] = [claim_s, repr(self._clock()), holder, token, EVENTS_KEPT, prefix, self._keys.history("")]
        found: Any = self._claim(keys=[self._keys.parts_waiting, self._keys.events], args=args)
        return None if not found else Claim(found[0].decode(), token, int(found[1]))

    def progress(self, claim: Claim, phase: str, percent: float) -> bool:
        """Whether the claim still holds."""
        data = to_json({"phase": phase, "percent": percent})
        subject = f"part/{claim.part_id}"
        args: list[Any] = [claim.token, repr(self._clock()), phase, percent, EVENTS_KEPT, subject, data]
        return bool(self._progress(keys=[self._keys.part(claim.part_id), self._keys.events], args=args))

    def give_back(self, claim: Claim, delay_s: float = 0.0) -> bool:
        """Let another have it, from ``delay_s`` on; this attempt does not count."""
        keys = [self._keys.part(claim.part_id), self._keys.parts_waiting]
        return bool(self._return(keys=keys, args=[claim.token, claim.part_id, delay_s, repr(self._clock())]))

    def release(self, holder: str) -> int:
        """Give back what an earlier life of ``holder`` had in hand; the attempts count, for one may have killed it."""
        waiting: Any = self._redis.zrange(self._keys.parts_waiting, 0, -1)
        return sum(self._release(raw.decode(), holder) for raw in waiting)

    def _release(self, part_id: str, holder: str) -> bool:
        held: Any = self._redis.hmget(self._keys.part(part_id), ("holder", "token"))
        if held[0] is None or held[1] is None or held[0].decode() != holder:
            return False
        now = float(self._redis.time()[0])
        # only where it is still there, and never later than it was: harmless beside another's claim or commit
        return bool(self._redis.zadd(self._keys.parts_waiting, {part_id: now}, xx=True, lt=True, ch=True))

    def waiting(self) -> int:
        """Parts not yet analysed, in hand or not."""
        return int(self._redis.zcard(self._keys.parts_waiting))

    def claimable(self) -> int:
        """Parts that nobody holds."""
        now = float(self._redis.time()[0]) + 1.0
        return int(self._redis.zcount(self._keys.parts_waiting, "-inf", now))

    def commit(self, claim: Claim, result: tuple[PartPose, ...] | PartProblem, display: bytes = b"") -> int | None:
        """Write the result and what the part looks like, drop the mesh, move the waiting jobs on: to the inbox, or
        to failed with the reason.

        Gives the number of jobs moved; None where the claim had lapsed and the part is in other hands or done.
        """
        refused = isinstance(result, PartProblem)
        moved = self._commit(
            keys=self._commit_keys(claim.part_id, JobState.FAILED if refused else JobState.ACCEPTED),
            args=[*self._commit_args(claim, result), display],
        )
        return None if int(moved) < 0 else int(moved)

    def _commit_keys(self, part_id: str, job_state: JobState) -> list[str]:
        keys = self._keys
        return [
            keys.part(part_id),
            keys.part_mesh(part_id),
            keys.part_jobs(part_id),
            keys.parts_waiting,
            keys.parts_waiting_bytes,
            keys.events,
            keys.inbox,
            keys.counters,
            keys.jobs_in(JobState.ANALYSING),
            keys.jobs_in(job_state),
            keys.history(f"part/{part_id}"),
            keys.part_display(part_id),
        ]

    def _commit_args(self, claim: Claim, result: tuple[PartPose, ...] | PartProblem) -> list[Any]:
        now, data, job_data = self._clock(), {"attempt": claim.attempt}, {"from": JobState.ANALYSING.value}
        state, job_state, reason, poses, problem = PartState.ANALYSED, JobState.ACCEPTED, "", b"", b""
        if isinstance(result, PartProblem):
            state, job_state, problem = PartState.REFUSED, JobState.FAILED, to_json(result)
            reason = f"the part was refused: {result.detail}"[:500]
            data |= {"slug": result.slug, "detail": result.detail}  # type: ignore[dict-item]
            job_data["reason"] = reason
        else:
            poses = to_json(result)
        return [
            claim.token,
            repr(now),
            state.value,
            poses,
            problem,
            claim.part_id,
            to_json(data),
            to_json({"at": now, "kind": f"part.{state.value}", "data": data}),
            EVENTS_KEPT,
            job_state.value,
            reason,
            to_json(job_data),
            to_json({"at": now, "kind": f"job.{job_state.value}", "data": job_data}),
            self._keys.job(""),
            self._keys.history("job/"),
        ]


def _script(client: redis.Redis, name: str) -> Script:
    return client.register_script(files("workers.store").joinpath(f"part_{name}.lua").read_text("utf-8"))
