"""A bundle's file: the same by an independent reader, other implementations and `unzip`; and what is refused of it."""

from __future__ import annotations

import io
import json
import random
import shutil
import stat
import subprocess
import zipfile

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")

from cryptography.exceptions import InvalidSignature
from hypothesis import given
from hypothesis import strategies as st

from fingerlead.bundle import packing
from fingerlead.bundle.keys import BundleError, own_key
from fingerlead.bundle.packing import Bundle, pack, unpack
from tests.bundle.plain_reader import read_bundle

ID = "0123456789abcdef" * 2
CONTENTS = {"questions.jsonl": b'{"id":"0123456789ab"}\n', f"sessions/{ID}.session": bytes(range(256)) * 20}
NUMBERS = st.integers(1, packing.GREATEST_NUMBER)


@pytest.fixture(scope="module")
def key(tmp_path_factory):
    return own_key(tmp_path_factory.mktemp("key"))


def bundle(key, **also):
    return Bundle(**{
        "kind": "for teacher", "sender": key.public, "to": "", "number": 3, "day": "2026-11-29", "name": "",
        "taken": (), "contents": CONTENTS, **also,
    })  # fmt: skip


@pytest.fixture(scope="module")
def packed(key):
    return pack(bundle(key), key)


def entries_of(packed):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        return [(entry, archive.read(entry)) for entry in archive.infolist()]


def zipped(entries, method=zipfile.ZIP_STORED):
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w", method) as archive:
        for entry, content in entries:
            archive.writestr(entry, content)
    return data.getvalue()


def signed_anew(key, packed, change):
    """A bundle whose sender signs what no program of ours would write."""
    entries = {entry.filename: content for entry, content in entries_of(packed)}
    told = json.loads(entries["manifest.json"])
    manifest = change(told) if callable(change) else change
    entries["manifest.json"] = manifest if isinstance(manifest, bytes) else json.dumps(manifest or told).encode()
    entries["signature"] = key.sign(entries["manifest.json"])
    return zipped(entries.items())


@given(
    st.sampled_from(["", "Rùaraidh"]), NUMBERS, st.lists(NUMBERS, max_size=100), st.binary(max_size=300),
    st.dates(),
)  # fmt: skip
def test_what_is_packed_comes_out_and_an_independent_reader_finds_the_same(key, name, number, taken, data, day):
    contents = {"questions.jsonl": data}
    made = bundle(key, name=name, number=number, taken=tuple(taken), contents=contents, to="ab" * 32)
    packed = pack(made, key)
    assert pack(made, key) == packed
    found = unpack(packed)
    manifest, files = read_bundle(packed)
    assert files == contents == found.contents
    assert (found.kind, found.sender, found.to) == ("for teacher", key.public, "ab" * 32)
    assert (found.name, found.number, found.taken, found.day) == (name, number, tuple(taken), "2026-11-29")
    assert {key: manifest[key] for key in ("schema", "kind", "from", "to", "number", "day", "name", "taken")} == {
        "schema": "fingerlead-bundle-1", "kind": "for teacher", "from": key.public, "to": "ab" * 32,
        "number": number, "day": "2026-11-29", "name": name, "taken": taken,
    }  # fmt: skip


def test_other_programs_read_it(packed, tmp_path):
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.testzip() is None
    if shutil.which("unzip") is None:
        pytest.skip("needs the Debian package unzip")
    path = tmp_path / "a.fingerlead"
    path.write_bytes(packed)
    done = subprocess.run(["unzip", "-t", path], capture_output=True, text=True)
    assert (done.returncode, "No errors detected" in done.stdout) == (0, True)


def test_a_byte_changed_anywhere_is_found(packed):
    chance = random.Random(1)
    for place in chance.sample(range(len(packed)), 300):
        altered = bytearray(packed)
        altered[place] ^= 1 << chance.randrange(8)
        try:
            found = unpack(bytes(altered))
        except BundleError:
            continue
        # What of a zip says nothing about its files may differ: a reader takes no notice of it.
        assert found == unpack(packed)


def test_a_checksum_made_anew_hides_no_change(packed):
    entries = entries_of(packed)
    altered = zipped(
        (entry, b"\1" + data[1:] if entry.filename.startswith("sessions") else data) for entry, data in entries
    )
    with pytest.raises(BundleError, match=r"altered.*is not what its manifest says"):
        unpack(altered)
    another = zipped(
        (entry, data.replace(b'"number":3', b'"number":4') if entry.filename == "manifest.json" else data)
        for entry, data in entries
    )
    with pytest.raises(BundleError, match="signature is not that of its sender"):
        unpack(another)
    with pytest.raises(InvalidSignature):
        read_bundle(another)


def test_what_ends_too_soon_is_refused(packed):
    for length in (0, 1, 21, 22, len(packed) // 2, len(packed) - 1):
        with pytest.raises(BundleError):
            unpack(packed[:length])


def entry(name, mode=stat.S_IFREG | 0o600):
    made = zipfile.ZipInfo(name)
    made.create_system = 3
    made.external_attr = mode << 16
    return made


def deflated(packed):
    return zipped(((one.filename, data) for one, data in entries_of(packed)), zipfile.ZIP_DEFLATED)


def locked(packed):
    """The same with the mark of a password on every file, in both of its headers."""
    data = bytearray(packed)
    for head, at in ((b"PK\3\4", 6), (b"PK\1\2", 8)):
        place = -1
        while (place := data.find(head, place + 1)) >= 0:
            data[place + at] |= 1
    return bytes(data)


def bomb():
    """A terabyte, by what it says: 4 GiB less two bytes in each of 256 files, all packed to some kilobytes."""
    made = zipped(
        ((entry(f"sessions/{number:032x}.session"), bytes(100)) for number in range(256)), zipfile.ZIP_DEFLATED
    )
    data = bytearray(made)
    for head, at in ((b"PK\3\4", 22), (b"PK\1\2", 24)):
        place = -1
        while (place := data.find(head, place + 1)) >= 0:
            data[place + at : place + at + 4] = (0xFFFFFFFE).to_bytes(4, "little")
    return bytes(data)


def many(count):
    return zipped((entry(f"sessions/{number:032x}.session"), b"") for number in range(count))


def countless(count):
    """One file that is listed so many times, as a zip of so many files is."""
    one = many(1)
    begin, end = one.index(b"PK\1\2"), one.index(b"PK\5\6")
    listed = one[begin:end] * count
    told = (0xFFFF).to_bytes(2, "little") * 2 + len(listed).to_bytes(4, "little")
    return one[:begin] + listed + one[end : end + 8] + told + one[end + 16 :]


@pytest.mark.parametrize(
    ("made", "sentence"),
    [
        (lambda packed: b"", "empty"),
        (lambda packed: b"no zip at all, but a letter", "no zip"),
        (lambda packed: zipped([]), "no manifest.json"),
        (lambda packed: zipped([(entry("notes.txt"), b"hello")]), "that no bundle has: 'notes.txt'"),
        (lambda packed: zipped([(entry("../../etc/passwd"), b"x")]), "leads out of its folder"),
        (lambda packed: zipped([(entry("/etc/passwd"), b"x")]), "leads out of its folder"),
        (lambda packed: zipped([(entry("C:\\x"), b"x")]), "leads out of its folder"),
        (lambda packed: zipped([*entries_of(packed), (entry("sessions/"), b"")]), "that no bundle has"),
        (lambda packed: zipped([(entry("questions.jsonl", stat.S_IFLNK | 0o777), b"/etc/passwd")]), "no file"),
        (lambda packed: zipped([*entries_of(packed), *entries_of(packed)[2:3]]), "two files of one name"),
        (lambda packed: deflated(packed), "compressed"),
        (lambda packed: bomb(), "compressed"),
        (locked, "password"),
        (lambda packed: many(600), "more than 508 files"),
        (lambda packed: countless(100_000), "more than 508 files"),
        (lambda packed: packed + b"\0", "no zip"),
        (lambda packed: zipped(entries_of(packed)[:1]), "no signature"),
        (lambda packed: zipped(entries_of(packed)[:-1]), "not those that its manifest lists"),
        (lambda packed: bytes(packing.GREATEST + 1), "at most 64 MiB"),
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_what_is_no_bundle_is_refused_in_a_sentence(packed, made, sentence):
    with pytest.raises(BundleError, match=sentence) as caught:
        unpack(made(packed))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (lambda told: {**told, "schema": "fingerlead-bundle-2"}, "newer fingerlead"),
        (lambda told: {**told, "schema": "another-1"}, "something else"),
        (lambda told: [told], "something else"),
        (lambda told: b"{", "something else"),
        (lambda told: b"[" * 200_000, "something else"),
        (lambda told: {**told, "from": "AB"}, "no key of its sender"),
        (lambda told: {**told, "to": 5}, "nothing that a bundle can say"),
        (lambda told: {**told, "number": True}, "nothing that a bundle can say"),
        (lambda told: {**told, "number": 0}, "nothing that a bundle can say"),
        (lambda told: {**told, "taken": [1] * 101}, "nothing that a bundle can say"),
        (lambda told: {**told, "day": "2026-02-30"}, "nothing that a bundle can say"),
        (lambda told: {**told, "kind": "from teacher"}, "nothing that a bundle can say"),
        (lambda told: {**told, "contents": None}, "not those that its manifest lists"),
    ],
)
def test_what_its_own_sender_signs_is_not_trusted(key, packed, change, sentence):
    with pytest.raises(BundleError, match=sentence):
        unpack(signed_anew(key, packed, change))


def test_a_name_is_tidied_and_a_longer_one_cut(key, packed):
    found = unpack(signed_anew(key, packed, lambda told: {**told, "name": "\u202ea\x1b[2J\ud800" + "b" * 200}))
    assert found.name == "a [2J" + "b" * 75


@given(st.data())
def test_noise_in_a_bundle_ends_in_a_sentence_or_in_the_same_bundle(packed, data):
    noisy = bytearray(packed)
    for _ in range(data.draw(st.integers(1, 6))):
        noisy[data.draw(st.integers(0, len(noisy) - 1))] = data.draw(st.integers(0, 255))
    try:
        found = unpack(bytes(noisy))
    except BundleError:
        return
    assert found == unpack(packed)
