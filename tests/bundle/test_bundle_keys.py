"""A side's key and its words."""

from __future__ import annotations

import io
import os
import stat
from itertools import combinations

import pytest

pytest.importorskip("nacl", reason="needs the Python package pynacl")

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given
from hypothesis import strategies as st
from rapidfuzz.distance import Levenshtein

from fingerlead.bundle.keys import FILE, BundleError, is_signed, is_told, key_text, key_words, own_key
from fingerlead.spoken import WORDS, SpokenError, from_words, to_words
from tests.bundle.plain_reader import words_of


def test_a_key_is_made_once_for_its_owner_alone_and_stays(tmp_path):
    first = own_key(tmp_path / "new")
    assert own_key(tmp_path / "new") == first
    assert own_key(tmp_path / "other") != first
    if os.name == "posix":
        assert stat.S_IMODE((tmp_path / "new" / FILE).stat().st_mode) == 0o600
    assert os.listdir(tmp_path / "new") == [FILE]


def test_another_implementation_signs_the_same(tmp_path):
    key = own_key(tmp_path)
    seed = bytes.fromhex((tmp_path / FILE).read_text())
    theirs = Ed25519PrivateKey.from_private_bytes(seed)
    assert theirs.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw).hex() == key.public
    assert theirs.sign(b"a manifest") == key.sign(b"a manifest")
    assert is_signed(b"a manifest", theirs.sign(b"a manifest"), key.public)
    assert not is_signed(b"another", theirs.sign(b"a manifest"), key.public)


@pytest.mark.parametrize("content", [b"", b"00" * 31, b"zz" * 32, b"\xff" * 64, b"0" * 5_000])
def test_a_damaged_key_is_refused_and_stays_as_it_is(tmp_path, content):
    (tmp_path / FILE).write_bytes(content)
    with pytest.raises(BundleError, match=r"bundle\.key: expected a key"):
        own_key(tmp_path)
    assert (tmp_path / FILE).read_bytes() == content


def test_a_key_that_cannot_be_kept_is_none(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BundleError, match="the key cannot be kept"):
        own_key(tmp_path / "file")
    (tmp_path / FILE).symlink_to(tmp_path / "nowhere")
    with pytest.raises(BundleError, match="something else"):
        own_key(tmp_path)
    assert not (tmp_path / "nowhere").exists()


def test_its_words_are_those_of_the_document_and_hold_whatever_way_they_are_typed(tmp_path):
    public = own_key(tmp_path).public
    words = key_words(public)
    assert words.split() == words_of(public, list(WORDS))
    for typed in (words, words.upper(), words.replace(" ", ", "), f"  1. {words}\n", key_text(public)):
        assert is_told(public, typed)
    turned = " ".join(words.split()[::-1])
    assert not is_told(public, turned) or turned == words
    assert not is_told(public, key_text("00" * 32))
    _, *rest = words.split()
    with pytest.raises(BundleError, match="8 words; got 7"):
        is_told(public, " ".join(rest))
    with pytest.raises(BundleError, match="'bus' is none"):
        is_told(public, " ".join(["bus", *rest]))


def test_a_phone_reads_the_key_from_its_qr_code(tmp_path):
    segno, zxing = pytest.importorskip("segno"), pytest.importorskip("zxingcpp")
    import numpy as np

    public = own_key(tmp_path).public
    drawn = io.BytesIO()
    segno.make_qr(key_text(public), error="m").save(drawn, kind="png", scale=4)
    from PIL import Image

    (code,) = zxing.read_barcodes(np.asarray(Image.open(drawn).convert("L")))
    assert is_told(public, code.text)


def test_no_slip_of_the_keyboard_makes_another_word():
    assert len(WORDS) == 256
    assert all(word.isascii() and word.islower() and 3 <= len(word) <= 9 for word in WORDS)
    assert min(Levenshtein.distance(one, other) for one, other in combinations(WORDS, 2)) >= 2


@given(st.binary(max_size=20))
def test_words_are_bytes_again(data):
    assert from_words(" ".join(to_words(data)), len(data)) == data


def test_a_word_of_no_list_is_named():
    with pytest.raises(SpokenError, match="'nonsense' is none"):
        from_words("acorn nonsense", 2)
