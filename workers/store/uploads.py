"""A mesh on its way in, read block by block, and the address that its content gives it."""

from __future__ import annotations

import base64
import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

from workers.model.codec import to_json
from workers.model.part import SUMMARY_VERSION
from workers.model.part_record import MeshOptions

BLOCK = 1024 * 1024  # what is held of an upload at a time


@dataclass(frozen=True, slots=True)
class Upload:
    """A mesh as it is handed in: a file that can be read from its start, never held whole."""

    id: str
    name: str
    options: MeshOptions
    file: IO[bytes]
    size_bytes: int

    @classmethod
    def of(cls, data: bytes | IO[bytes], options: MeshOptions, name: str = "") -> Upload:
        file = io.BytesIO(data) if isinstance(data, bytes) else data
        digest, size = hashlib.sha256(), 0
        for block in _blocks(file):
            digest.update(block)
            size += len(block)
        return cls(_address("mesh", to_json(options), digest.digest()), name, options, file, size)

    def blocks(self) -> Iterator[bytes]:
        """The bytes from the start, at most BLOCK at a time."""
        return _blocks(self.file)


def _blocks(file: IO[bytes]) -> Iterator[bytes]:
    file.seek(0)
    while block := file.read(BLOCK):
        yield block


def content_id(kind: str, options: bytes, data: bytes) -> str:
    """The part's address: SHA-256 over its bytes, what was asked for, and the summary's version; base 32."""
    return _address(kind, options, hashlib.sha256(data).digest())


def _address(kind: str, options: bytes, digest: bytes) -> str:
    head = b"\n".join((kind.encode(), SUMMARY_VERSION.encode(), options, b""))
    return "p-" + base64.b32encode(hashlib.sha256(head + digest).digest()).decode("ascii").rstrip("=").lower()
