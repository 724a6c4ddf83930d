"""Photographs: what the bytes are is read from the bytes. PNG (ISO/IEC 15948) and JPEG (ITU-T T.81) are taken.

Only the frame is read, not the picture: whether the file is whole, and how large the picture says it is.
"""

from __future__ import annotations

import hashlib
import struct
import zlib

from flask import Response

from workers.model.errors import BorewrightError, InvalidError
from workers.model.trial import Photo

LIMIT_BYTES = 4 * 1024 * 1024
LARGEST_PX = 12_000  # a side; engineering prior
PNG, JPEG = "image/png", "image/jpeg"
_PNG_HEAD = b"\x89PNG\r\n\x1a\n"
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # start-of-frame markers
_ALONE = frozenset({0x01, *range(0xD0, 0xD8)})  # markers without a length
# The picture shows itself and nothing else: no script, no frame, no guessing of another type.
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; sandbox",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "private, no-cache",
}


class PhotoTooLargeError(BorewrightError):
    slug, title, status = "photo-too-large", "The photograph is too large", 413


class NotAPhotoError(InvalidError):
    slug, title = "not-a-photo", "The body is no PNG or JPEG picture"


def photo_of(data: bytes) -> Photo:
    """Raises PhotoTooLargeError, NotAPhotoError."""
    if len(data) > LIMIT_BYTES:
        raise PhotoTooLargeError(f"the photograph has {len(data):,} bytes; the limit is {LIMIT_BYTES:,}")
    if data.startswith(_PNG_HEAD):
        media_type, size = PNG, _png_size(data)
    elif data.startswith(b"\xff\xd8\xff"):
        media_type, size = JPEG, _jpeg_size(data)
    else:
        raise NotAPhotoError("the bytes begin neither as a PNG nor as a JPEG does")
    if not all(1 <= side <= LARGEST_PX for side in size):
        raise NotAPhotoError(
            f"the picture says it is {size[0]} x {size[1]} pixels; 1 to {LARGEST_PX:,} a side are taken"
        )
    digest = hashlib.sha256(data).hexdigest()
    return Photo(media_type=media_type, size_bytes=len(data), width_px=size[0], height_px=size[1], sha256=digest)


def photo_answer(photo: Photo, data: bytes, name: str) -> Response:
    """The bytes as they came, under the type that was found in them."""
    ending = "png" if photo.media_type == PNG else "jpg"
    response = Response(data, mimetype=photo.media_type, headers=HEADERS)
    response.headers["Content-Disposition"] = f'inline; filename="{name}.{ending}"'
    response.set_etag(photo.sha256)
    return response


def _png_size(data: bytes) -> tuple[int, int]:
    """Walks the chunks: each whole and with its sum, from IHDR to IEND, nothing behind."""
    at, size = len(_PNG_HEAD), None
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        end = at + 12 + length
        if end > len(data) or struct.unpack_from(">I", data, end - 4)[0] != zlib.crc32(kind + body):
            break
        if size is None:
            if kind != b"IHDR" or length != 13:
                break
            width, height = struct.unpack_from(">II", body)
            size = (int(width), int(height))
        if kind == b"IEND" and end == len(data):
            return size
        at = end
    raise NotAPhotoError("the PNG is not whole: its chunks do not run from IHDR to IEND")


def _jpeg_size(data: bytes) -> tuple[int, int]:
    """Walks the segments up to the scan, which must come behind a frame; the file ends with EOI."""
    at, size = 2, None
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF or marker in _ALONE:
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker in _FRAMES and length >= 8 and at + 9 <= len(data):
            height, width = struct.unpack_from(">HH", data, at + 5)
            size = (int(width), int(height))
        if marker == 0xDA and size is not None and data.rstrip(b"\0").endswith(b"\xff\xd9"):
            return size
        if marker == 0xDA or length < 2:
            break
        at += 2 + length
    raise NotAPhotoError("the JPEG is not whole: no frame before its scan, or no end")
