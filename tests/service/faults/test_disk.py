"""The disk is full, under the store and under the uploads: on the real processes, on file systems of a few MB."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.service.faults.faulty import Service, require_not_now
from tests.service.processes import wait_until

pytestmark = pytest.mark.usefixtures("disks")

BOUNDARY = "b-3f1c9a52"


def test_a_disk_that_is_full_under_the_store_refuses_what_writes(service: Service) -> None:
    """Redis with appendfsync always ends where it cannot write, and answers no one it has not kept the write of."""
    with filled(service.inside / "data"):
        wait_until(lambda: not service.is_ready(), "the first refusal")
        for _ in range(3):
            require_not_now(service.hand_in())
        assert service.ask("GET", "/healthz").status == 200
        service.run.wait_for_log(r"child ended child=redis end='exit 1'")


def test_a_disk_that_is_full_under_an_upload_refuses_it_whole(service: Service) -> None:
    mesh = stl("large", triangles=12_000)  # 0.6 MB: more than is held in memory
    before = analysed(service, stl("large too", triangles=12_000))  # where the scratch is has been found out by then
    with filled(service.inside / "scratch"):
        require_not_now(upload(service, mesh))
        assert service.ask("GET", "/v1/parts").json["items"] == before
        assert service.is_ready()


def test_an_analysis_without_room_waits_for_it_and_refuses_no_part(service: Service) -> None:
    analysed(service, stl("first"))
    with filled(service.inside / "scratch"):
        taken = upload(service, stl("second"))  # held in memory on its way in
        assert taken.status == 202, taken.body
        path = f"/v1/parts/{taken.json['id']}"
        service.run.wait_for_log(r"waits on: The analysis")
        assert service.ask("GET", path).json["state"] in {"accepted", "analysing"}
    wait_until(lambda: service.ask("GET", path).json["state"] in {"analysed", "refused"}, "its analysis")
    assert service.ask("GET", path).json["state"] == "analysed"


def analysed(service: Service, mesh: bytes) -> list[object]:
    """All parts, once this mesh is analysed or refused."""
    path = f"/v1/parts/{upload(service, mesh).json['id']}"
    wait_until(lambda: service.ask("GET", path).json["state"] in {"analysed", "refused"}, "an analysis")
    return list(service.ask("GET", "/v1/parts").json["items"])


@contextmanager
def filled(folder: Path) -> Iterator[None]:
    """Not a byte is left on the file system of this folder."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as end:
        for block in (1 << 16, 1):
            try:
                while True:
                    end.write(b"x" * block)
            except OSError:
                continue
    try:
        yield
    finally:
        filler.unlink()


def upload(service: Service, mesh: bytes):
    lines = [
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="unit"\r\n\r\nmm\r\n'.encode(),
        f'--{BOUNDARY}\r\nContent-Disposition: form-data; name="file"; filename="a.stl"\r\n\r\n'.encode(),
        mesh,
        f"\r\n--{BOUNDARY}--\r\n".encode(),
    ]
    content_type = f"multipart/form-data; boundary={BOUNDARY}"
    return service.ask("POST", "/v1/parts", b"".join(lines), Content_Type=content_type)


def stl(name: str, triangles: int = 12) -> bytes:
    """A closed box of 10 x 10 x 10 mm as binary STL, its faces repeated until there are as many as asked for."""
    corner = [(x, y, z) for x in (0, 10) for y in (0, 10) for z in (0, 10)]
    faces = [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)]
    faces += [(2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)]
    rows = [struct.pack("<12fH", 0, 0, 0, *corner[a], *corner[b], *corner[c], 0) for a, b, c in faces]
    body = (b"".join(rows) * (triangles // len(rows) + 1))[: 50 * triangles]
    return name.encode().ljust(80) + struct.pack("<I", triangles) + body
