"""The text by which two programs find each other without a server: some 100 letters, to be pasted, read out or scanned.

Of a WebRTC session description only what differs from lesson to lesson is in it: the certificate's fingerprint, the
name and password of ICE, and up to three addresses. The text is base32 (RFC 4648, section 6) of: 1 byte of kind, 32 of
the fingerprint (SHA-256), 20 of name and password as a number in base 62, 1 of how many addresses, for each 1 byte of
family (4 or 6), the address and the port (u16, low byte first); and the wire's check of two bytes.
"""

import base64
import ipaddress
import re
import string
from dataclasses import dataclass

from fingerlead.lesson.errors import unexpected
from fingerlead.wire.carriers import checked, with_check

INVITATION, ANSWER = 1, 2
FINGERPRINT = 32
LETTERS = string.ascii_letters + string.digits
NAME, PASSWORD = 4, 22
CREDENTIALS = 20
MOST_ADDRESSES = 3
LONGEST = 400
ADVICE = "have the whole text sent again, and paste all of it"


@dataclass(frozen=True, slots=True)
class DirectText:
    """What one end tells of itself: `name` and `password` are ICE's, `addresses` (address, port)."""

    kind: int
    fingerprint: bytes
    name: str
    password: str
    addresses: tuple[tuple[str, int], ...]


def pack_text(text: DirectText) -> str:
    """The text as it is given to the other end."""
    number = 0
    for letter in text.name + text.password:
        number = number * len(LETTERS) + LETTERS.index(letter)
    data = bytes([text.kind]) + text.fingerprint + number.to_bytes(CREDENTIALS, "big")
    addresses = text.addresses[:MOST_ADDRESSES]
    data += bytes([len(addresses)])
    for address, port in addresses:
        ip = ipaddress.ip_address(address)
        data += bytes([ip.version]) + ip.packed + port.to_bytes(2, "little")
    return base64.b32encode(with_check(data)).decode("ascii").rstrip("=")


def read_text(text: str, kind: int) -> DirectText:
    """The text that was pasted, however it is broken and spaced; raises LessonError."""
    letters = re.sub(r"[\s-]", "", text[: 4 * LONGEST]).upper().rstrip("=")
    what = "the teacher's first text" if kind == INVITATION else "the pupil's answer"
    if not re.fullmatch(f"[A-Z2-7]{{1,{LONGEST}}}", letters):
        raise unexpected(what, "other letters", ADVICE)
    try:
        data = checked(base64.b32decode(letters + "=" * (-len(letters) % 8)))
    except (ValueError, IndexError):
        data = None
    if data is None:
        raise unexpected(what, "a text of which something is missing or wrong", ADVICE)
    if data[0] != kind:
        raise unexpected(what, "another text", "the teacher sends the first text, the pupil the answer to it")
    try:
        return _unpacked(data)
    except (ValueError, IndexError):
        raise unexpected(what, "a text of another version", "update fingerlead on both sides") from None


def _unpacked(data: bytes) -> DirectText:
    place = 1 + FINGERPRINT
    number = int.from_bytes(data[place : place + CREDENTIALS], "big")
    letters = ""
    for _ in range(NAME + PASSWORD):
        number, at = divmod(number, len(LETTERS))
        letters = LETTERS[at] + letters
    place += CREDENTIALS
    count, place = data[place], place + 1
    addresses = []
    for _ in range(count):
        size = {4: 4, 6: 16}[data[place]] if data[place] in (4, 6) else -1
        whole = data[place + 1 : place + 3 + size]
        if size < 0 or len(whole) != size + 2:
            raise ValueError("no address")
        addresses.append((str(ipaddress.ip_address(whole[:size])), int.from_bytes(whole[size:], "little")))
        place += 3 + size
    if number or place != len(data) or not 1 <= count <= MOST_ADDRESSES:
        raise ValueError("no text")
    return DirectText(data[0], data[1 : 1 + FINGERPRINT], letters[:NAME], letters[NAME:], tuple(addresses))


def text_of(description: str, kind: int) -> DirectText:
    """What is to be told of one's own session description (SDP); raises LessonError where it has no address."""

    def told(what: str) -> str:
        found = re.search(rf"^a={what}[: ](\S+)", description, re.MULTILINE)
        return found[1] if found else ""

    found = re.findall(r"^a=candidate:\S+ 1 udp \d+ (\S+) (\d+) typ (host|srflx)", description, re.MULTILINE)
    told_by_server = sorted(found, key=lambda one: one[2] == "host")
    ips = [(ipaddress.ip_address(address), int(port)) for address, port, _ in told_by_server if "%" not in address]
    # Two of the older kind, as a machine may have one that leads nowhere; one of the newer is enough, and long.
    older = [one for one in ips if one[0].version == 4 and not one[0].is_link_local][:2]
    newer = [one for one in ips if one[0].version == 6 and not one[0].is_link_local][:1]
    addresses = tuple((str(ip), port) for ip, port in older + newer)
    if not addresses:
        raise unexpected("an address of this machine", "none", "connect it to a network, and begin anew")
    fingerprint = bytes.fromhex(told("fingerprint:sha-256").replace(":", ""))
    return DirectText(kind, fingerprint, told("ice-ufrag"), told("ice-pwd"), addresses)


def description_of(text: DirectText) -> str:
    """The session description (SDP) of the other end, from what it told."""
    setup = "actpass" if text.kind == INVITATION else "active"
    candidates = "".join(
        f"a=candidate:{number} 1 udp {2130706431 - number} {address} {port} typ host\r\n"
        for number, (address, port) in enumerate(text.addresses, 1)
    )
    return (
        "v=0\r\no=- 1 1 IN IP4 0.0.0.0\r\ns=-\r\nt=0 0\r\na=group:BUNDLE 0\r\n"
        "m=application 9 UDP/DTLS/SCTP webrtc-datachannel\r\nc=IN IP4 0.0.0.0\r\na=mid:0\r\na=sctp-port:5000\r\n"
        f"a=max-message-size:65536\r\n{candidates}a=end-of-candidates\r\n"
        f"a=ice-ufrag:{text.name}\r\na=ice-pwd:{text.password}\r\n"
        f"a=fingerprint:sha-256 {text.fingerprint.hex(':').upper()}\r\na=setup:{setup}\r\n"
    )
