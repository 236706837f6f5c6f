"""Reads a bundle by `hardware_notes/bundle.md` alone: it shares no code with the product, and uses no zip library."""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Iterator
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey


def files_of(data: bytes) -> Iterator[tuple[str, bytes]]:
    """The files of a zip without compression, by their local headers from its beginning on."""
    place = 0
    while data[place : place + 4] == b"PK\3\4":
        flags, method, day_time, _, packed, size, name, extra = struct.unpack(
            "<2xHHIIIIHH", data[place + 4 : place + 30]
        )
        assert (flags & 1, method, day_time, extra) == (0, 0, 33 << 16, 0), "plain, stored, 1 January 1980"
        assert packed == size
        begin = place + 30 + name
        yield data[place + 30 : begin].decode("ascii"), data[begin : begin + size]
        place = begin + size
    assert data[place : place + 4] == b"PK\1\2"


def read_bundle(data: bytes) -> tuple[dict[str, Any], dict[str, bytes]]:
    """The manifest and the files it lists; raises what `cryptography` raises where the signature does not hold."""
    found = list(files_of(data))
    files = dict(found)
    assert len(files) == len(found)
    assert [name for name, _ in found[:2]] == ["manifest.json", "signature"]
    manifest = json.loads(files["manifest.json"])
    Ed25519PublicKey.from_public_bytes(bytes.fromhex(manifest["from"])).verify(
        files["signature"], files["manifest.json"]
    )
    rest = {name: data for name, data in files.items() if name not in ("manifest.json", "signature")}
    listed = {name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in rest.items()}
    assert manifest["contents"] == listed
    return manifest, rest


def rows_of(data: bytes) -> list[dict[str, Any]]:
    return [json.loads(line) for line in data.splitlines()]


def words_of(public: str, listed: list[str]) -> list[str]:
    return [listed[byte] for byte in hashlib.sha256(b"fingerlead-key-1:" + public.encode()).digest()[:8]]
