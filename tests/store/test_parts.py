"""Parts on a real Redis: kept by content, claimed for a time, committed once; the jobs that waited go on."""

from __future__ import annotations

import threading
from dataclasses import replace
from typing import Any

import pytest
import redis

from tests.builders import block, job
from workers.model.errors import ConflictError, InvalidError, NotFoundError, UnavailableError
from workers.model.job import JobSpec, JobState
from workers.model.part_record import AS_GIVEN, MeshOptions, Orientation, PartPose, PartProblem, PartState
from workers.store.analyses import Claim
from workers.store.stores import Stores, open_stores
from workers.store.uploads import Upload

MM = MeshOptions(unit="mm")
POSES = (PartPose(name=AS_GIVEN, summary=block()),)
BROKEN = PartProblem(slug="mesh-refused", title="The mesh file cannot be used", status=422, detail="It is cut short.")
SLOW = PartProblem(slug="mesh-time", title="Too long", status=422, detail="It took longer than 1 s, the limit.")
LONG = 60.0


@pytest.fixture
def stores(redis_client: redis.Redis) -> Stores:
    opened = open_stores(redis_client, clock=lambda: 1000.5)
    opened.inbox.prepare()
    return opened


def upload(data: bytes = b"solid", options: MeshOptions = MM) -> Upload:
    return Upload.of(data, options, "bracket.stl")


def on_part(part_id: str, name: str = "bracket") -> JobSpec:
    return replace(job(name), summary=None, part_id=part_id)


def claimed(stores: Stores, holder: str = "geometry-1", claim_s: float = LONG) -> Claim:
    claim = stores.analyses.claim(holder, claim_s)
    assert claim is not None
    return claim


def handed_in(stores: Stores, part_id: str, job_id: str = "j1") -> JobState:
    (state,) = stores.jobs.hand_in([on_part(part_id)], [job_id])
    return state


def kinds(stores: Stores, subject: str) -> list[str]:
    return [entry.kind for entry in stores.events.history(subject)]


def test_the_same_bytes_with_the_same_options_are_one_part(stores: Stores) -> None:
    first = stores.parts.put(upload())
    again = stores.parts.put(upload())

    assert (again.id, again.version, again.created_at) == (first.id, first.version, first.created_at)
    assert stores.analyses.waiting() == 1
    others = [
        upload(b"Solid"),
        upload(options=MeshOptions(unit="inch")),
        upload(options=MeshOptions(unit="mm", fmt="stl")),
        upload(options=MeshOptions(unit="mm", orientation=Orientation.BEST)),
    ]
    assert len({first.id, *(other.id for other in others)}) == 5


def test_many_at_once_make_one_part(redis_url: str, stores: Stores) -> None:
    def put() -> None:
        open_stores(redis.Redis.from_url(redis_url)).parts.put(upload())

    threads = [threading.Thread(target=put) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert stores.analyses.waiting() == 1
    assert kinds(stores, f"part/{upload().id}") == ["part.accepted"]
    assert len(stores.parts.page().items) == 1


def test_a_part_is_claimed_by_one_worker_at_a_time_oldest_first(stores: Stores) -> None:
    first, second = stores.parts.put(upload(b"a")), stores.parts.put(upload(b"b"))

    assert [claimed(stores, "g1").part_id, claimed(stores, "g2").part_id] == [first.id, second.id]
    assert stores.analyses.claim("g3", LONG) is None
    assert (stores.analyses.waiting(), stores.analyses.claimable()) == (2, 0)
    assert stores.parts.get(first.id).state is PartState.ANALYSING


def test_a_claim_lapses_and_its_late_result_is_dropped(stores: Stores) -> None:
    part = stores.parts.put(upload())
    dead = claimed(stores, "g1", claim_s=0.0)
    alive = claimed(stores, "g2")

    assert (dead.part_id, alive.part_id, alive.attempt) == (part.id, part.id, 2)
    assert not stores.analyses.progress(dead, "curves", 50.0)
    assert stores.analyses.commit(dead, BROKEN) is None
    assert stores.analyses.commit(alive, POSES) == 0
    assert stores.analyses.commit(alive, BROKEN) is None
    assert stores.parts.get(part.id).state is PartState.ANALYSED


def test_a_restarted_worker_frees_what_it_had_in_hand(stores: Stores) -> None:
    stores.parts.put(upload(b"a"))
    stores.parts.put(upload(b"b"))
    mine, other = claimed(stores, "g1"), claimed(stores, "g2")

    assert stores.analyses.release("g1") == 1
    again = claimed(stores, "g1")
    assert (again.part_id, again.attempt) == (mine.part_id, 2)
    assert stores.analyses.progress(other, "load", 1.0)


def test_a_part_given_back_does_not_lose_an_attempt(stores: Stores) -> None:
    stores.parts.put(upload())
    claim = claimed(stores)
    assert stores.analyses.give_back(claim)
    assert not stores.analyses.give_back(claim)
    assert claimed(stores).attempt == 1


def test_progress_is_seen_in_the_record_and_the_events(stores: Stores) -> None:
    part = stores.parts.put(upload())
    claim = claimed(stores)
    before = stores.parts.get(part.id).version
    assert stores.analyses.progress(claim, "curves", 42.5)

    seen = stores.parts.get(part.id)
    assert (seen.phase, seen.percent, seen.version) == ("curves", 42.5, before + 1)
    last = stores.events.after("0")[-1]
    assert (last.kind, last.subject, last.data) == (
        "part.progress",
        f"part/{part.id}",
        {"phase": "curves", "percent": 42.5},
    )


def test_the_result_is_kept_and_the_mesh_dropped(stores: Stores) -> None:
    part = stores.parts.put(upload())
    assert stores.parts.mesh(part.id) == b"solid"
    stores.analyses.commit(claimed(stores), POSES)

    done = stores.parts.get(part.id)
    assert (done.state, done.poses, done.percent, done.phase) == (PartState.ANALYSED, POSES, 100.0, "done")
    assert stores.parts.mesh(part.id) is None
    assert stores.analyses.waiting() == 0
    assert not stores.client.hlen(stores.keys.parts_waiting_bytes)
    assert stores.parts.put(upload()).state is PartState.ANALYSED
    assert kinds(stores, f"part/{part.id}") == ["part.accepted", "part.analysing", "part.analysed"]


def test_a_job_waits_for_its_part_and_goes_on_with_it(stores: Stores) -> None:
    part = stores.parts.put(upload())
    assert handed_in(stores, part.id) is JobState.ANALYSING
    assert stores.inbox.waiting() == 0
    assert stores.jobs.counts()[JobState.ANALYSING] == 1

    assert stores.analyses.commit(claimed(stores), POSES) == 1

    (entry,) = stores.inbox.take("a", 10)
    assert (entry.job_id, entry.attempt) == ("j1", 1)
    record = stores.jobs.get("j1")
    assert (record.state, record.version, record.spec.summary) == (JobState.ACCEPTED, 2, None)
    assert stores.jobs.counts()[JobState.ANALYSING] == 0
    assert kinds(stores, "job/j1") == ["job.analysing", "job.accepted"]


def test_a_job_whose_part_is_refused_fails_with_the_reason(stores: Stores) -> None:
    part = stores.parts.put(upload())
    handed_in(stores, part.id)
    assert stores.analyses.commit(claimed(stores), BROKEN) == 1

    record = stores.jobs.get("j1")
    assert (record.state, record.reason) == (JobState.FAILED, "the part was refused: It is cut short.")
    assert stores.inbox.waiting() == 0
    with pytest.raises(InvalidError, match="cut short") as refusal:
        handed_in(stores, part.id, "j2")
    assert refusal.value.fields[0].pointer == "/part_id"


def test_a_job_on_an_analysed_part_goes_straight_to_the_inbox(stores: Stores) -> None:
    stores.parts.put(upload())
    stores.analyses.commit(claimed(stores), POSES)
    assert handed_in(stores, upload().id) is JobState.ACCEPTED
    assert stores.inbox.waiting() == 1


def test_an_unknown_part_is_refused(stores: Stores) -> None:
    with pytest.raises(InvalidError, match="no part has the id"):
        handed_in(stores, upload().id)
    assert stores.jobs.page().items == ()


def test_a_job_and_its_mesh_are_kept_in_one_step_or_not_at_all(stores: Stores) -> None:
    def fail(pipe: Any, states: Any) -> None:
        raise RuntimeError("the connection broke before EXEC")

    mesh = upload()
    with pytest.raises(RuntimeError):
        stores.jobs.hand_in([on_part(mesh.id)], ["j1"], upload=mesh, also=fail)
    assert stores.jobs.page().items == ()
    with pytest.raises(NotFoundError):
        stores.parts.get(mesh.id)

    assert stores.jobs.hand_in([on_part(mesh.id)], ["j1"], upload=mesh) == [JobState.ANALYSING]
    assert stores.parts.mesh(mesh.id) == b"solid"


def test_a_part_that_is_done_in_between_leaves_no_job_waiting(stores: Stores, monkeypatch: pytest.MonkeyPatch) -> None:
    """The commit falls between the look at the part and the MULTI that keeps the job."""
    part = stores.parts.put(upload())
    claim = claimed(stores)
    look = stores.parts.heads
    looks = 0

    def look_and_lose(part_ids: Any) -> Any:
        nonlocal looks
        found = look(part_ids)
        looks += 1
        if looks == 1:
            assert stores.analyses.commit(claim, POSES) == 0
        return found

    monkeypatch.setattr(type(stores.parts), "heads", lambda self, part_ids: look_and_lose(part_ids))
    assert handed_in(stores, part.id) is JobState.ACCEPTED
    assert looks == 2
    assert stores.inbox.waiting() == 1


def test_jobs_that_come_in_while_the_result_is_committed_all_go_on(redis_url: str, stores: Stores) -> None:
    part = stores.parts.put(upload())
    claim = claimed(stores)
    begun = threading.Barrier(4)

    def hand_in(number: int) -> None:
        own = open_stores(redis.Redis.from_url(redis_url))
        begun.wait()
        for i in range(40):
            own.jobs.hand_in([on_part(part.id)], [f"j{number}-{i:02d}"])

    threads = [threading.Thread(target=hand_in, args=(i,)) for i in range(3)]
    for thread in threads:
        thread.start()
    begun.wait()
    while not stores.jobs.counts()[JobState.ANALYSING]:
        pass
    moved = stores.analyses.commit(claim, POSES)
    for thread in threads:
        thread.join()

    assert moved
    counts = stores.jobs.counts()
    assert (counts[JobState.ANALYSING], counts[JobState.ACCEPTED]) == (0, 120)
    entries = [entry.job_id for entry in stores.inbox.take("a", 200)]
    assert len(entries) == len(set(entries)) == 120


def test_a_cancelled_job_is_not_woken(stores: Stores) -> None:
    part = stores.parts.put(upload())
    handed_in(stores, part.id)
    stores.jobs.cancel("j1")
    assert stores.analyses.commit(claimed(stores), POSES) == 0
    assert stores.jobs.get("j1").state is JobState.CANCELLED
    assert stores.inbox.waiting() == 0


def test_only_a_refusal_that_may_pass_gives_the_same_bytes_another_try(stores: Stores) -> None:
    part = stores.parts.put(upload())
    handed_in(stores, part.id)
    stores.analyses.commit(claimed(stores), SLOW)
    assert stores.jobs.get("j1").state is JobState.FAILED

    again = stores.parts.put(upload())
    assert (again.state, again.problem) == (PartState.ACCEPTED, None)
    assert stores.parts.get(part.id).version == again.version
    assert stores.jobs.retry("j1").state is JobState.ANALYSING
    assert stores.analyses.commit(claimed(stores), BROKEN) == 1
    assert stores.parts.put(upload()).state is PartState.REFUSED
    assert len(stores.parts.page().items) == 1


def test_a_summary_made_by_hand_is_a_part_at_once(stores: Stores) -> None:
    part = stores.parts.put_summary(block(), "by hand")
    again = stores.parts.put_summary(block(), "once more")
    assert (part.id, part.state, part.name) == (again.id, again.state, again.name)
    assert stores.parts.get(part.id).summary() == block()
    assert handed_in(stores, part.id) is JobState.ACCEPTED


def test_past_the_limits_no_more_meshes_are_taken(redis_client: redis.Redis) -> None:
    few = open_stores(redis_client, analyses_limit=2)
    few.parts.put(upload(b"a"))
    few.parts.put(upload(b"b"))
    few.parts.put(upload(b"a"))  # known: costs nothing
    with pytest.raises(UnavailableError, match="limit is 2"):
        few.parts.put(upload(b"c"))
    assert few.analyses.waiting() == 2

    small = open_stores(redis_client, "small", analyses_limit_bytes=10)
    small.parts.put(upload(b"0123456789ab"))  # nothing else waits, so it is let in
    with pytest.raises(UnavailableError, match="MiB"):
        small.parts.put(upload(b"c"))


def test_parts_are_listed_newest_first_page_by_page(redis_client: redis.Redis) -> None:
    now = iter(range(1000, 2000))
    stores = open_stores(redis_client, clock=lambda: float(next(now)))
    made = [stores.parts.put(upload(bytes([i]))).id for i in range(5)]
    seen, cursor = [], None
    while True:
        page = stores.parts.page(cursor, 2)
        seen += [part.id for part in page.items]
        if (cursor := page.next_cursor) is None:
            break
    assert seen == made[::-1]


def test_a_part_goes_only_when_no_job_refers_to_it(stores: Stores) -> None:
    kept, loose = stores.parts.put(upload(b"a")), stores.parts.put(upload(b"b"))
    handed_in(stores, kept.id)
    with pytest.raises(ConflictError, match="j1"):
        stores.parts.delete(kept.id, lambda version: version)

    stores.parts.delete(loose.id, lambda version: version)
    with pytest.raises(NotFoundError):
        stores.parts.get(loose.id)
    assert stores.parts.mesh(loose.id) is None
    assert [part.id for part in stores.parts.page().items] == [kept.id]
    assert stores.analyses.waiting() == 1


def test_a_part_deleted_while_it_is_analysed_stays_gone(stores: Stores) -> None:
    part = stores.parts.put(upload())
    claim = claimed(stores)
    stores.parts.delete(part.id, lambda version: version)
    assert stores.analyses.commit(claim, POSES) is None
    assert not stores.analyses.progress(claim, "curves", 1.0)
    with pytest.raises(NotFoundError):
        stores.parts.get(part.id)
