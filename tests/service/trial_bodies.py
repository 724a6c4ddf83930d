"""A shop that can compare bores, a trial of it, and pictures small enough to read."""

from __future__ import annotations

import struct
import zlib
from typing import Any

from tests.service import api_bodies as bodies


def two_machines(api):
    """Two machines with three slots; 0.4, 0.5 and 0.6 mounted on the first, the 0.6 of the second on the shelf."""
    for machine_id in ("alder", "birch"):
        api.made("/v1/machines", bodies.machine(id=machine_id, name=machine_id.title(), nozzle_slots=3))
        for slot, bore in enumerate((0.4, 0.5, 0.6), 1):
            mounted = {} if (machine_id, bore) == ("birch", 0.6) else {"machine_id": machine_id, "slot": slot}
            nozzle_id = f"n-{round(bore * 100):03d}-{machine_id}"
            api.made("/v1/nozzles", bodies.nozzle(id=nozzle_id, name=nozzle_id, bore_mm=bore, **mounted))
    api.made("/v1/materials", bodies.material())
    for n in (1, 2):
        api.made("/v1/spools", bodies.spool(id=f"s-0{n}", remaining_g=900))
    return api


def trial(**changes: Any) -> dict[str, Any]:
    return {
        "name": "Is a 0.5 worth having?",
        "bores_mm": [0.4, 0.5, 0.6],
        "material_ids": ["pla-grey"],
        "machine_ids": ["alder", "birch"],
        "replicates": 2,
        "seed": 3,
    } | changes


def result(**changes: Any) -> dict[str, Any]:
    return {
        "accepted": True,
        "sizes": [{"name": "hole 8", "measured_mm": 8.02}],
        "kept": ["rib 0.6", "rib 0.8"],
        "lost": ["rib 0.3"],
    } | changes


def png(width: int = 2, height: int = 2) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    rows = b"".join(b"\0" + b"\x80" * min(width, 2) for _ in range(min(height, 2)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def jpeg(width: int = 16, height: int = 8) -> bytes:
    """The frame of a JPEG, as ITU-T T.81 annex B has it: APP0, a baseline frame, a scan, the end."""
    app0 = b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0\1\1\0\0\1\0\1\0\0"
    frame = b"\xff\xc0" + struct.pack(">HBHHB", 11, 8, height, width, 1) + b"\1\x11\0"
    scan = b"\xff\xda" + struct.pack(">H", 8) + b"\1\1\0\0\x3f\0" + b"\x12\x34"
    return b"\xff\xd8" + app0 + frame + scan + b"\xff\xd9"
