"""How a mesh comes in: block by block, within stated limits; what a job must say of its part, in the schema too."""

from __future__ import annotations

import hashlib
import io
import json
import tracemalloc

import jsonschema
import pytest

from service.openapi import openapi_dict
from tests.geometry import shapes
from tests.service import api_bodies as bodies
from workers import tasks
from workers.geometry.limits import MIB
from workers.model.part_record import MeshOptions
from workers.store.parts import STAGED_S
from workers.store.uploads import BLOCK, Upload

MARK = b"a-mark-between-the-fields"


class Trickle(io.RawIOBase):
    """A multipart body of a given size that is made as it is read."""

    def __init__(self, size: int) -> None:
        head = b'--%s\r\nContent-Disposition: form-data; name="unit"\r\n\r\nmm\r\n' % MARK
        head += b'--%s\r\nContent-Disposition: form-data; name="file"; filename="big.stl"\r\n\r\n' % MARK
        self._waiting, self._left, self._tail = head, size, b"\r\n--%s--\r\n" % MARK
        self.length = len(head) + size + len(self._tail)
        self.digest, self._at = hashlib.sha256(), 0

    def readable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """For the test client, which goes to the end and back to learn the length."""
        self._at = self.length if whence == io.SEEK_END else offset
        return self._at

    def tell(self) -> int:
        return self._at

    def readinto(self, buffer) -> int:
        if not self._waiting and self._left:
            self._waiting = bytes([self._left % 251]) * min(self._left, 4096)
            self._left -= len(self._waiting)
            self.digest.update(self._waiting)
        elif not self._waiting:
            self._waiting, self._tail = self._tail, b""
        count = min(len(buffer), len(self._waiting))
        buffer[:count] = self._waiting[:count]
        self._waiting = self._waiting[count:]
        return count


def sent(api, body: Trickle):
    kind = f"multipart/form-data; boundary={MARK.decode()}"
    return api.client.post("/v1/parts", input_stream=body, content_type=kind, content_length=body.length)


def posted(api, path, data, **fields):
    form = {"unit": "mm", "file": (io.BytesIO(data), "part.stl"), **fields}
    return api.client.post(path, data=form, content_type="multipart/form-data")


def test_an_upload_is_never_held_whole(shop):
    body = Trickle(40 * MIB)
    tracemalloc.start()
    answer = sent(shop, body)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert answer.status_code == 202
    assert peak < 10 * MIB
    kept = shop.stores.parts.mesh(answer.json["id"])
    assert hashlib.sha256(kept).digest() == body.digest.digest()
    assert answer.json["source"]["size_bytes"] == 40 * MIB


def test_what_is_kept_stays_and_what_broke_off_goes_by_itself(shop):
    part = posted(shop, "/v1/parts", shapes.stl(shapes.box(5, 6, 7))).json
    assert shop.stores.client.ttl(shop.stores.keys.part_mesh(part["id"])) == -1  # for good (Redis: TTL)
    assert not list(shop.stores.client.scan_iter("*part-staged*"))
    broken = shop.stores.parts._staged(Upload.of(bytes(3 * BLOCK + 1), MeshOptions(unit="mm")))
    assert 0 < shop.stores.client.ttl(broken) <= STAGED_S
    assert shop.stores.client.strlen(broken) == 3 * BLOCK + 1


def test_the_address_is_that_of_the_bytes_however_they_come():
    data, options = bytes(range(256)) * 9000, MeshOptions(unit="mm")
    one, other = Upload.of(data, options), Upload.of(io.BytesIO(data), options)
    assert (one.id, one.size_bytes) == (other.id, len(data))
    assert b"".join(other.blocks()) == data == b"".join(other.blocks())
    assert max(map(len, other.blocks())) == BLOCK


@pytest.mark.parametrize("size", [1 * MIB + 1, 9 * MIB])
def test_past_the_limit_the_answer_says_the_limit(make_api, size):
    api = make_api(upload_limit_bytes=MIB)
    answer = sent(api, Trickle(size))
    assert (answer.status_code, answer.mimetype) == (413, "application/problem+json")
    assert "1 MiB" in answer.json["detail"] or f"{2 * MIB}" in answer.json["detail"]  # the file; file and fields
    assert api.stores.analyses.waiting() == 0


def test_a_hint_is_a_note_in_the_summary_and_on_the_page(shop):
    """A box of half a millimetre: nothing is mended, nothing rescaled, and it is said that the unit looks wrong."""
    job = {key: value for key, value in bodies.job(tolerances=[]).items() if key != "summary"}
    made = posted(shop, "/v1/jobs", shapes.stl(shapes.box(0.5, 0.4, 0.3)), job=json.dumps(job)).json
    tasks.analyse_next(shop.stores, "test")
    tasks.drain_inbox(shop.stores, "test")
    summary = shop.get(f"/v1/parts/{made['part_id']}").json["summary"]
    assert (summary["mended"], len(summary["notes"])) == ([], 1)
    assert "is the unit right?" in summary["notes"][0]
    page = shop.client.get(f"/jobs/{made['id']}").text
    assert "Mesh, to check" in page
    assert "is the unit right?" in page


PART_ID = "p-" + "a" * 52
NAMED = {
    "both": ({"part_id": PART_ID}, False),
    "neither": ({"summary": None}, False),
    "a summary": ({}, True),
    "a summary and null": ({"part_id": None}, True),
    "a part": ({"summary": None, "part_id": PART_ID}, True),
}


@pytest.mark.parametrize("name", NAMED)
def test_the_schema_says_what_the_service_checks_exactly_one_of_summary_and_part(shop, name):
    changes, sound = NAMED[name]
    body = bodies.job(tolerances=[], **changes)
    described = openapi_dict()["components"]["schemas"]["Job"]
    validator = jsonschema.Draft202012Validator({word: described[word] for word in ("if", "then", "else")})
    assert validator.is_valid(body) is sound
    answer = shop.post("/v1/jobs", body)
    if sound and changes.get("part_id") is None:
        assert answer.status_code == 202
    else:
        assert answer.status_code == 422
        assert ("one of summary and part_id" in answer.text) is not sound  # else: no part has that id


def test_the_job_beside_a_mesh_names_no_part():
    properties = openapi_dict()["components"]["schemas"]["UploadedJob"]["properties"]
    assert properties["summary"] == properties["part_id"] == {"type": "null"}
