"""hardware_notes/lesson.md, held to the letter: by a reader that was written from it, and by published vectors."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from spake2 import SPAKE2_A, SPAKE2_B
from spake2.test.common import PRG

from fingerlead.lesson import blocks, entries, packets
from fingerlead.lesson.end import LessonEnd
from fingerlead.lesson.entries import KINDS, Consent, PageTold, PinRemark, Read
from fingerlead.lesson.keys import WINDOW, Agreement
from fingerlead.spoken import WORDS
from tests.lesson.faulty_line import FIVE_PERCENT, Net, Weather
from tests.lesson.lessons import SECRET, played
from tests.lesson.own_reader import OwnReader, hchacha20, unseal

DOCUMENT = (Path(__file__).parents[2] / "hardware_notes" / "lesson.md").read_text(encoding="utf-8")


def recorded(weather: Weather = Weather(), for_us: int = 3_000_000) -> tuple[Net, bytes]:
    """A short lesson, the same at every run, and its shared key."""
    ends = [LessonEnd(role, SECRET, 0, random=PRG(role.encode())) for role in ("pupil", "teacher")]
    net = Net(*ends, weather, seed=2)
    net.until(lambda: all(end.phase == "agreed" for end in ends))
    for end, name in zip(ends, ("Ann", "Mr Bell"), strict=True):
        end.consent(Consent(name), net.now_us)
    for t_us, data in played(for_us):
        while net.now_us < t_us:
            net.step()
        ends[0].add(Read(1_000_000 + t_us, "stream", data), net.now_us)
    ends[0].add(PageTold("The ring lifts too soon. " * 50), net.now_us)
    ends[1].add(PinRemark(2_000_000, "here"), net.now_us)
    ends[0].finish(net.now_us, "tea")
    net.until(lambda: all(end.phase == "over" for end in ends))
    random = PRG(b"pupil")
    random(8)  # the attempt
    once_more = SPAKE2_A(SECRET, b"fingerlead pupil", b"fingerlead teacher", entropy_f=random)
    once_more.start()
    answer = next(packet for at, _, packet in net.wire if at == 1)
    return net, once_more.finish(answer[12:45])


@pytest.mark.parametrize("weather", [Weather(), FIVE_PERCENT])
def test_a_reader_of_its_own_decodes_a_lesson(weather):
    net, shared = recorded(weather)
    reader = OwnReader(shared)
    for at, _, packet in net.wire:
        reader.take(net.ends[at].role, packet)
    assert reader.unread == 0
    ours = reader.entries("pupil")
    assert [body[2] for kind, body in ours if kind == 1] == [data for _, data in played(3_000_000)]
    assert [body[0] - 1_000_000 for kind, body in ours if kind == 1] == [t_us for t_us, _ in played(3_000_000)]
    assert ours[0] == (2, {"name": "Ann", "program": "", "first_note": 24, "channel": 15, "movements": ""})
    assert ours[-2] == (8, {"text": "The ring lifts too soon. " * 50})
    assert ours[-1][0] == 10
    assert [kind for kind, _ in reader.entries("teacher")] == [2, 19, 10]
    assert reader.proofs["pupil"] != reader.proofs["teacher"]


def test_an_exchange_is_on_the_line_as_it_always_was(golden):
    net, shared = recorded(for_us=600_000)
    lines = [f"{net.ends[at].role} {lane.name.lower()} {packet.hex()}" for at, lane, packet in net.wire]
    golden("exchange.txt", "\n".join([f"shared {shared.hex()}", *lines]) + "\n")


def test_the_recorded_exchange_is_read_by_the_reader():
    shared, *lines = (Path(__file__).parent / "golden" / "exchange.txt").read_text().splitlines()
    reader = OwnReader(bytes.fromhex(shared.split()[1]))
    for line in lines:
        sender, _, packet = line.split()
        reader.take(sender, bytes.fromhex(packet))
    assert reader.unread == 0
    sent = b"".join(body[2] for kind, body in reader.entries("pupil") if kind == 1)
    assert sent == b"".join(data for _, data in played(600_000))


def test_the_line_shows_nothing_of_what_is_said():
    net, _ = recorded()
    said = b"".join(packet for _, _, packet in net.wire)
    assert len(said) > 10_000
    frames = [data for _, data in played(3_000_000)]
    for telling in (b"Ann", b"Mr Bell", b"ring", b"here", b"name", SECRET, *frames[:20]):
        assert telling not in said


def test_the_key_agreement_keeps_to_its_published_vectors():
    """Those of python-spake2's own test_compat.py, test_asymmetric; made by its author, and used by its ports."""
    of_pupil = "416fc960df73c9cf8ed7198b0c9534e2e96a5984bfc5edc023fd24dacf371f2af9"
    of_teacher = "42354e97b88406922b1df4bea1d7870f17aed3dba7c720b313edae315b00959309"
    a, b = SPAKE2_A(b"password", entropy_f=PRG(b"A")), SPAKE2_B(b"password", entropy_f=PRG(b"B"))
    assert a.start().hex() == Agreement("pupil", b"password", PRG(b"A")).message.hex() == of_pupil
    assert b.start().hex() == Agreement("teacher", b"password", PRG(b"B")).message.hex() == of_teacher
    keys = a.finish(bytes.fromhex(of_teacher)), b.finish(bytes.fromhex(of_pupil))
    assert keys[0].hex() == keys[1].hex() == "a480bca13fa04464bb644f10e340125e96c9494f7399fef7c2bda67eb0fdf06d"


def test_the_cipher_keeps_to_its_published_vectors():
    """draft-irtf-cfrg-xchacha-03: sections 2.2.1 and A.3.1."""
    key = bytes(range(32))
    subkey = hchacha20(key, bytes.fromhex("000000090000004a0000000031415927"))
    assert subkey.hex() == "82413b4227b27bfed30e42508a877d73a0f9e4d58a74a853c12ec41326d3ecdc"
    from nacl.secret import Aead

    for counter in (1, 255, 1 << 40):
        nonce = counter.to_bytes(24, "little")
        sealed = Aead(key).encrypt(b"how the fingers move", b"header", nonce).ciphertext
        assert unseal(key, counter, b"header", sealed) == b"how the fingers move"


def test_the_numbers_of_the_document_are_the_programs():
    rows = re.findall(r"^\| (\d+) \| [^|]+ \| ([^|]*) \|$", DOCUMENT, re.MULTILINE)
    named = {int(number): set(re.findall(r"`([a-z_]+)`", names)) for number, names in rows}
    for number, kind in KINDS.items():
        fields = set(kind.__dataclass_fields__)
        assert fields <= named[number] | {"device_id"}, kind
    for number in (
        packets.MOST_PACKET,
        blocks.BLOCK,
        entries.MOST_ENTRY,
        entries.LONGEST_TEXT,
        entries.LONGEST_LONG,
        entries.LONGEST_LIST,
        WINDOW,
        len(WORDS),
    ):
        spaced = f"{number:,}".replace(",", " ")
        assert re.search(rf"\b{spaced}\b", DOCUMENT), spaced
