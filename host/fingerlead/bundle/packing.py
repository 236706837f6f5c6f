"""A bundle as one file and back: a zip whose manifest names all that is in it, and is signed.

`hardware_notes/bundle.md` says what it is, byte for byte. Nothing in it is compressed, so that no more can come out
than has come in; the same content by the same key is the same file. What comes is a stranger's until the signature is
known: how much there is of it is looked at before anything is unpacked, and nothing is written.
"""

import hashlib
import io
import json
import re
import stat
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeGuard

from fingerlead.bundle.keys import KEY, BundleError, OwnKey, is_signed
from fingerlead.studio.index import DIGEST_LETTERS
from fingerlead.studio.pupils import LONGEST_NAME, StudioError, day_text, tidy

Kind = Literal["for teacher", "from teacher"]
SCHEMA = "fingerlead-bundle-"
VERSION = 1
MANIFEST, SIGNATURE = "manifest.json", "signature"
SIGNATURE_BYTES = 64
# Texts by kind, and the folder of its sessions.
TEXTS: Mapping[Kind, tuple[str, ...]] = {
    "for teacher": ("questions.jsonl",),
    "from teacher": ("answers.jsonl", "homework.jsonl", "remarks.jsonl"),
}
SESSIONS: Mapping[Kind, str] = {"for teacher": "sessions", "from teacher": "models"}
NAME = re.compile(f"(?:(?P<text>[a-z]+[.]jsonl)|(?P<folder>[a-z]+)/(?P<digest>[0-9a-f]{{{DIGEST_LETTERS}}})[.]session)")
MOST_SESSIONS = 500
MOST_ENTRIES = MOST_SESSIONS + 8
# As much as goes by mail or chat in one piece; a month of practice is some ten.
GREATEST = 1 << 26
GREATEST_TEXT = 1 << 23
GREATEST_MANIFEST = 1 << 18
GREATEST_LIST = 1 << 17
GREATEST_NUMBER = 1_000_000_000
MOST_TAKEN = 100
END, END_BYTES = b"PK\5\6", 22
LOCATOR, LOCATOR_BYTES = b"PK\6\7", 20
ENCRYPTED = 1
ALTERED = "this bundle was altered or damaged on its way: {}. Have it sent again"
TOO_MANY = f"this zip has more than {MOST_ENTRIES} files in it, or is far too long"
NO_BUNDLE = "expected a bundle, as fingerlead bundle make writes it; {}. Name another file"


@dataclass(frozen=True, slots=True)
class Bundle:
    """What a bundle says. `sender` and `to` are public keys, `to` empty where the other's is not known yet.

    `number` counts the bundles of the sender to this receiver from 1; `taken` are the numbers of those of the other
    that were taken in. `name` is what the sender chose to be called, often nothing. `contents` are files by their
    names, and `id` names the bundle.
    """

    kind: Kind
    sender: str
    to: str
    number: int
    day: str
    name: str = ""
    taken: tuple[int, ...] = ()
    contents: Mapping[str, bytes] = field(default_factory=dict)
    id: str = ""

    def sessions(self) -> dict[str, bytes]:
        """The files of sessions by their digests."""
        found = ((NAME.fullmatch(name), data) for name, data in self.contents.items())
        return {match["digest"]: data for match, data in found if match and match["digest"]}


def pack(bundle: Bundle, key: OwnKey) -> bytes:
    """The file of a bundle, signed; raises BundleError where it is too long."""
    listed = {
        name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in bundle.contents.items()
    }
    manifest = _json(
        {
            "schema": f"{SCHEMA}{VERSION}",
            "kind": bundle.kind,
            "from": key.public,
            "to": bundle.to,
            "number": bundle.number,
            "day": bundle.day,
            "name": bundle.name,
            "taken": list(bundle.taken[-MOST_TAKEN:]),
            "contents": listed,
        }
    )
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for name, data in ((MANIFEST, manifest), (SIGNATURE, key.sign(manifest)), *sorted(bundle.contents.items())):
            entry = zipfile.ZipInfo(name)  # of 1 January 1980, whenever it is made
            entry.create_system = 3
            entry.external_attr = (stat.S_IFREG | 0o600) << 16
            archive.writestr(entry, data)
    if packed.tell() > GREATEST:
        raise BundleError(f"expected a bundle of at most {GREATEST >> 20} MiB; this would have {packed.tell() >> 20}")
    return packed.getvalue()


def unpack(data: bytes) -> Bundle:
    """What a file says, if its signature is that of the key it names; raises BundleError."""
    entries = _entries(data)
    manifest, signature = (entries.pop(name, None) for name in (MANIFEST, SIGNATURE))
    if manifest is None or signature is None:
        raise BundleError(NO_BUNDLE.format(f"this zip has no {SIGNATURE if manifest else MANIFEST}"))
    told = _object(manifest)
    sender = told.get("from")
    if not isinstance(sender, str) or not KEY.fullmatch(sender):
        raise BundleError(ALTERED.format("it names no key of its sender"))
    if len(signature) != SIGNATURE_BYTES or not is_signed(manifest, signature, sender):
        raise BundleError(ALTERED.format("its signature is not that of its sender"))
    bundle = _read(told, sender, entries, hashlib.sha256(manifest).hexdigest())
    if bundle is None:
        raise BundleError(ALTERED.format("its manifest says nothing that a bundle can say"))
    _compare(told.get("contents"), entries)
    return bundle


def _entries(data: bytes) -> dict[str, bytes]:
    """The files in a zip, none of them trusted; raises BundleError."""
    if len(data) > GREATEST:
        raise BundleError(f"expected a bundle of at most {GREATEST >> 20} MiB; this file is longer. Name another file")
    if not data:
        raise BundleError(NO_BUNDLE.format("this file is empty"))
    end = data[-END_BYTES:]
    if len(end) < END_BYTES or not end.startswith(END) or end[-2:] != b"\0\0":
        raise BundleError(NO_BUNDLE.format("this is no zip, or only a part of one"))
    count, length = int.from_bytes(end[10:12], "little"), int.from_bytes(end[12:16], "little")
    # The list of files is looked at before it is read: each of them takes memory.
    if data[-END_BYTES - LOCATOR_BYTES :].startswith(LOCATOR) or count > MOST_ENTRIES or length > GREATEST_LIST:
        raise BundleError(NO_BUNDLE.format(TOO_MANY))
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            listed = archive.infolist()
            if len(listed) > MOST_ENTRIES:
                raise BundleError(NO_BUNDLE.format(TOO_MANY))
            _refuse_strange(listed, len(data))
            return {entry.filename: archive.read(entry) for entry in listed}
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, ValueError, RuntimeError) as error:
        if isinstance(error, BundleError):
            raise
        raise BundleError(ALTERED.format("the zip does not hold together")) from None


def _refuse_strange(listed: list[zipfile.ZipInfo], size: int) -> None:
    """Raise BundleError for what no bundle has, before any of it is read."""
    names: set[str] = set()
    for entry in listed:
        name, kind = entry.filename, stat.S_IFMT(entry.external_attr >> 16)
        shown = repr(name if len(name) <= 40 else f"{name[:39]}…")
        if name.startswith("/") or "\\" in name or ":" in name or ".." in name.split("/"):
            raise BundleError(NO_BUNDLE.format(f"this zip has a file that leads out of its folder: {shown}"))
        if kind not in (0, stat.S_IFREG):
            raise BundleError(NO_BUNDLE.format(f"this zip has something in it that is no file: {shown}"))
        if name in names:
            raise BundleError(NO_BUNDLE.format(f"this zip has two files of one name: {shown}"))
        if entry.flag_bits & ENCRYPTED:
            raise BundleError(NO_BUNDLE.format("this zip is locked with a password"))
        if entry.compress_type != zipfile.ZIP_STORED or entry.file_size != entry.compress_size:
            raise BundleError(
                NO_BUNDLE.format("this zip is compressed, as no bundle is: it was packed by something else")
            )
        if name not in (MANIFEST, SIGNATURE) and not NAME.fullmatch(name):
            raise BundleError(NO_BUNDLE.format(f"this zip has a file that no bundle has: {shown}"))
        names.add(name)
        most = GREATEST_MANIFEST if name == MANIFEST else GREATEST_TEXT if name.endswith(".jsonl") else size
        if entry.file_size > most:
            raise BundleError(NO_BUNDLE.format(f"this zip has a file that is far too long: {shown}"))
    if sum(entry.file_size for entry in listed) > size:
        raise BundleError(NO_BUNDLE.format("this zip says that there is more in it than there can be"))


def _object(manifest: bytes) -> Mapping[str, Any]:
    try:
        told = json.loads(manifest)
    except (ValueError, RecursionError):
        told = None
    schema = told.get("schema") if isinstance(told, dict) else None
    if not isinstance(told, dict) or not isinstance(schema, str) or not schema.startswith(SCHEMA):
        raise BundleError(NO_BUNDLE.format("this zip is something else"))
    version = schema.removeprefix(SCHEMA)
    if version != str(VERSION):
        raise BundleError(
            f"expected a bundle of version {VERSION}; this one has version {version[:10]!r}. A newer fingerlead may "
            "take it in: bring this one up to date, or have the other side send it from an older one"
        )
    return told


def _read(told: Mapping[str, Any], sender: str, entries: Mapping[str, bytes], id: str) -> Bundle | None:
    """The bundle that a manifest tells of; None where it tells of none."""
    kind, to, number, day, name, taken = (told.get(key) for key in ("kind", "to", "number", "day", "name", "taken"))
    if (
        (kind != "for teacher" and kind != "from teacher")
        or not isinstance(to, str)
        or not (to == "" or KEY.fullmatch(to))
        or not (isinstance(day, str) and isinstance(name, str))
        or not _is_number(number)
        or not (isinstance(taken, list) and len(taken) <= MOST_TAKEN and all(map(_is_number, taken)))
    ):
        return None
    for entry in entries:
        match = NAME.fullmatch(entry)
        if not match or (match["text"] not in TEXTS[kind] and match["folder"] != SESSIONS[kind]):
            return None
    try:
        day = day_text(day)
    except StudioError:
        return None
    return Bundle(kind, sender, to, number, day, tidy(name)[:LONGEST_NAME], tuple(taken), entries, id)


def _compare(listed: object, entries: Mapping[str, bytes]) -> None:
    """Raise BundleError where the files are not those that the manifest lists."""
    if not isinstance(listed, dict) or listed.keys() != entries.keys():
        raise BundleError(ALTERED.format("its files are not those that its manifest lists"))
    for name, data in entries.items():
        if listed[name] != {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}:
            raise BundleError(ALTERED.format(f"{name} is not what its manifest says"))


def _is_number(value: object) -> TypeGuard[int]:
    return type(value) is int and 0 < value <= GREATEST_NUMBER


def _json(content: Mapping[str, object]) -> bytes:
    return json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()
