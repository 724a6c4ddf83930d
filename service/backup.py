"""`borewright backup` and `restore`: one checked file with everything of a shop.

The file is gzip (RFC 1952) over MessagePack: a header, one record a key, and an end with the number of records and the
SHA-256 of all bytes before it. It is written under another name and renamed when it is whole.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import redis

from service.api.moments import format_moment
from service.opened_store import opened
from service.settings import Settings
from workers.store.backup import Kept, is_empty, read_all, write_all
from workers.store.schema import SCHEMA

FORMAT, FORMAT_VERSION = "borewright-backup", 1
LENGTH = 8  # bytes that say how long the next record is
MOST = 1024**3  # of one record: Redis keeps no value above 512 MiB


class BackupError(RuntimeError):
    """The file cannot be written or used; the text is one sentence for the user."""


def run_backup(settings: Settings, file: Path) -> int:
    """Write the shop to ``file``; gives the exit code. Raises BackupError."""
    with opened(settings) as stores:
        try:
            kept = read_all(stores.client, stores.keys)
        except redis.RedisError as error:
            raise BackupError(f"The store could not be read: {error}.") from error
    head = {"format": FORMAT, "version": FORMAT_VERSION, "schema": SCHEMA, "shop": settings.shop, "at": time.time()}
    try:
        _write_whole(file, head, kept)
        read_file(file)
    except OSError as error:
        raise BackupError(f"{file} cannot be written: {error.strerror or error}.") from error
    print(f"{file}: {len(kept)} keys, {file.stat().st_size} bytes, read back and found whole.")
    return 0


def run_restore(settings: Settings, file: Path) -> int:
    """Put a backup into an empty shop; gives the exit code. Raises BackupError, and then nothing was written."""
    head, kept = read_file(file)
    with opened(settings, create=True) as stores:
        try:
            if not is_empty(stores.client, stores.keys):
                raise BackupError(f"The shop {settings.shop!r} is not empty: restore into a new data folder or store.")
            count = write_all(stores.client, stores.keys, kept)
        except redis.RedisError as error:
            raise BackupError(f"The store did not take it: {error}.") from error
    print(f"{count} keys of the shop {head['shop']!r} as of {format_moment(round(head['at']))} are restored.")
    return 0


def read_file(file: Path) -> tuple[dict[str, Any], list[Kept]]:
    """The header and every key, once the whole file is read and its sum is right. Raises BackupError."""
    digest, records = hashlib.sha256(), []
    try:
        with gzip.open(file, "rb") as stream:
            for raw in _records(stream):  # type: ignore[arg-type]
                record = msgspec.msgpack.decode(raw)
                if isinstance(record, dict) and "sha256" in record:
                    break
                digest.update(raw)
                records.append(record)
            else:
                raise BackupError(f"{file} has no end: it is cut off.")
    except OSError as error:
        raise BackupError(f"{file} cannot be read: {error.strerror or error}.") from error
    except (EOFError, msgspec.DecodeError, ValueError) as error:
        raise BackupError(f"{file} is damaged or no backup: {error}.") from error
    head = records[0] if records else {}
    _require_ours(file, head)
    if (record["keys"], record["sha256"]) != (len(records) - 1, digest.hexdigest()):
        raise BackupError(f"{file} is damaged: its content is not what it was when it was written.")
    return head, [Kept(*fields) for fields in records[1:]]


def _require_ours(file: Path, head: Any) -> None:
    if not isinstance(head, dict) or head.get("format") != FORMAT:
        raise BackupError(f"{file} is no backup of Borewright.")
    if head["version"] > FORMAT_VERSION or head["schema"] > SCHEMA:
        raise BackupError(f"{file} was written by a newer Borewright: restore it with that one.")


def _write_whole(file: Path, head: dict[str, Any], kept: Iterable[Kept]) -> None:
    """The file appears under its name only when all of it is on the disk."""
    part = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        with open(part, "xb") as raw:
            os.fchmod(raw.fileno(), 0o600)  # it holds webhook secrets
            with gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=6, mtime=0) as stream:
                _write_records(stream, head, kept)  # type: ignore[arg-type]
            raw.flush()
            os.fsync(raw.fileno())
        os.replace(part, file)
    finally:
        part.unlink(missing_ok=True)


def _write_records(stream: BinaryIO, head: dict[str, Any], kept: Iterable[Kept]) -> None:
    digest, count = hashlib.sha256(), 0
    first = msgspec.msgpack.encode(head)
    digest.update(first)
    _put(stream, first)
    for one in kept:
        raw = msgspec.msgpack.encode((one.name, one.kind, one.ttl_ms, one.content))
        digest.update(raw)
        _put(stream, raw)
        count += 1
    _put(stream, msgspec.msgpack.encode({"keys": count, "sha256": digest.hexdigest()}))


def _put(stream: BinaryIO, raw: bytes) -> None:
    stream.write(len(raw).to_bytes(LENGTH, "big") + raw)


def _records(stream: BinaryIO) -> Iterator[bytes]:
    """Raises EOFError where the file ends inside a record, ValueError where a length cannot be."""
    while size := stream.read(LENGTH):
        length = int.from_bytes(size, "big")
        if len(size) < LENGTH or length > MOST:
            raise ValueError("a record has an impossible length")
        raw = stream.read(length)
        if len(raw) < length:
            raise EOFError("it ends inside a record")
        yield raw
