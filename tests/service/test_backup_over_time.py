"""Backups of other times: of an older program, of a newer one, and of a shop that is at work meanwhile."""

from __future__ import annotations

import gzip
import threading
from collections import Counter
from pathlib import Path
from typing import Any

import msgspec
import pytest
import redis

from service import backup, cli
from service.backup import read_file
from tests.service import api_bodies as bodies
from tests.service.conftest import Caller
from workers.model.job import JobState
from workers.store.keys import Keys
from workers.store.schema import SCHEMA, bring_forward
from workers.tasks.routing import drain_and_bind

KEYS = Keys()
# Written by this program when its data were of version 1 and jobs did not yet name their request.
VERSION_1 = Path(__file__).parent / "stores" / "version-1.backup"


@pytest.fixture(autouse=True)
def _named(redis_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)


def test_a_store_of_version_1_is_read_and_worked_on(redis_client: redis.Redis, api: Caller) -> None:
    """Each kind of record that it holds, by the route that shows it; then the job that waited goes on."""
    assert cli.main(["restore", str(VERSION_1)]) == 0
    assert bring_forward(redis_client, KEYS) == 1
    assert redis_client.get(KEYS.schema) == str(SCHEMA).encode()
    [claim] = redis_client.hvals(KEYS.holders)
    for kind in ("machines", "nozzles", "materials", "spools", "calibrations", "plans", "webhooks", "outcomes"):
        assert len(api.get(f"/v1/{kind}").json["items"]) == 1, kind
    jobs = api.get("/v1/jobs").json["items"]
    states = Counter(one["state"] for one in jobs)
    assert states == {"accepted": 1, "cancelled": 1, "done": 1, "printing": 1, "bound": 1}
    for one in jobs:
        assert api.get(f"/v1/jobs/{one['id']}").json["request_id"] == ""
        assert api.get(f"/v1/jobs/{one['id']}/history").json["items"]
    drain_and_bind(api.stores, "test")
    assert api.stores.jobs.counts()[JobState.ACCEPTED] == 0
    for path in ("/", "/queue", "/evidence", "/machines/alder", "/metrics", "/v1/coverage", "/v1/reports/machines"):
        assert api.get(path).status_code == 200, path
    # Its lease lapsed long ago: a late finish counts while the copy is free.
    finished = api.post(f"/v1/claims/{claim.decode()}/finish", {"accepted": True})
    assert finished.status_code == 200, finished.text


def rewritten(file: Path, **head: Any) -> Path:
    """The same backup with another header, its sum made right again."""
    found, kept = read_file(VERSION_1)
    backup._write_whole(file, {**found, **head}, kept)
    return file


@pytest.mark.parametrize("head", [{"schema": SCHEMA + 1}, {"version": backup.FORMAT_VERSION + 1}], ids=["data", "file"])
def test_a_backup_of_a_newer_program_is_refused_with_the_reason(
    redis_client: redis.Redis, tmp_path: Path, head: dict[str, int], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["restore", str(rewritten(tmp_path / "b", **head))]) == 2
    assert "newer Borewright" in capsys.readouterr().err
    assert redis_client.dbsize() == 0
    assert cli.main(["restore", str(rewritten(tmp_path / "c"))]) == 0  # it was the header alone


def test_a_backup_that_was_altered_is_refused_even_where_it_still_can_be_read(
    redis_client: redis.Redis, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    inside = gzip.decompress(VERSION_1.read_bytes())
    assert b"agent" in inside
    file = tmp_path / "b"
    file.write_bytes(gzip.compress(inside.replace(b"agent", b"thief")))
    assert cli.main(["restore", str(file)]) == 2
    assert "is damaged" in capsys.readouterr().err
    assert redis_client.dbsize() == 0


def test_a_backup_of_a_shop_at_work_is_of_one_moment(shop: Caller, redis_client: redis.Redis, tmp_path: Path) -> None:
    """Jobs come in and are routed while it is written: each has all of its marks in it, or none."""
    over = threading.Event()
    file = tmp_path / "b"

    def hand_in() -> None:
        app = Caller(shop.app)
        while not over.is_set():
            app.post("/v1/job-batches", {"jobs": [bodies.job() for _ in range(5)]})

    def route() -> None:
        while not over.is_set():
            drain_and_bind(shop.stores, "test")

    threads = [threading.Thread(target=one) for one in (hand_in, hand_in, route)]
    for thread in threads:
        thread.start()
    seen = []
    try:
        while len(seen) < 4 or seen[0] == seen[-1]:
            assert cli.main(["backup", str(file)]) == 0
            seen.append(whole(file))
    finally:
        over.set()
        for thread in threads:
            thread.join()
    assert seen[-1] > 0


def whole(file: Path) -> int:
    """How many jobs the backup holds; fails where any lacks one of its marks, or has a mark too many."""
    kept = {one.name.decode(): one.content for one in read_file(file)[1]}
    ids = _members(kept.get("jobs", []))
    hashes = {name.removeprefix("job:") for name in kept if name.startswith("job:")}
    assert hashes == ids
    by_state = {state: _members(kept.get(f"jobs:{state}", [])) for state in map(str, JobState)}
    assert Counter(i for found in by_state.values() for i in found) == dict.fromkeys(ids, 1)
    for job_id in ids:
        fields = _pairs(kept[f"job:{job_id}"])
        assert job_id in by_state[fields["state"]]
    inbox = Counter(_pairs(fields)["job"] for _, fields in kept.get("inbox", ["", []])[1])
    assert set(inbox) == by_state["accepted"]
    accepted = Counter(_pairs(f)["subject"] for _, f in kept["events"][1] if _pairs(f)["kind"] == "job.accepted")
    assert accepted == {f"job/{i}": 1 for i in ids}
    assert int(_pairs(kept["counters"]).get("jobs_accepted", 0)) == len(ids)
    return len(ids)


def _members(flat: list[bytes]) -> set[str]:
    return {one.decode() for one in flat[::2]}


def _pairs(flat: list[bytes]) -> dict[str, str]:
    return {name.decode(): value.decode(errors="replace") for name, value in zip(flat[::2], flat[1::2], strict=True)}


def test_the_stored_backup_is_what_its_name_says() -> None:
    head, kept = read_file(VERSION_1)
    assert (head["schema"], head["version"]) == (1, 1)
    jobs = [one for one in kept if one.name.startswith(b"job:")]
    assert len(jobs) == 5
    assert not any(b"request_id" in one.content for one in jobs)
    assert msgspec.json.decode(_pairs(jobs[0].content)["doc"])["name"] == "kept from before"
