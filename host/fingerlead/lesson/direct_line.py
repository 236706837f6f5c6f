"""A lesson's line directly between two programs: WebRTC data channels by aiortc, and no server but one that is named.

    teacher   invite ──the first text──►          ◄──the answer── accept, open
    pupil                                  answer                          open

The texts go through the call or chat that the two already have; they say which certificate is the other's, and so who
it is. Of the two channels, one drops what is late, the other does not. Where the connection is lost for longer than ICE
waits (30 s), the same line is used again with new texts, and the lesson goes on where it was.
"""

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import TYPE_CHECKING, Any

from fingerlead.lesson.direct_text import ANSWER, INVITATION, description_of, pack_text, read_text, text_of
from fingerlead.lesson.errors import LessonError
from fingerlead.lesson.keys import Role, check_installed
from fingerlead.lesson.line import LineRefused
from fingerlead.lesson.loop_line import LoopLine
from fingerlead.lesson.packets import Lane

if TYPE_CHECKING:
    from aiortc import RTCDataChannel, RTCPeerConnection

ANSWERS_WITHIN_S = 15.0
OPENS_WITHIN_S = 30.0
# What may wait inside a channel; beyond it a packet is dropped.
MOST_BUFFERED = {Lane.NOW: 1 << 15, Lane.LOG: 1 << 20}
LOST = "the direct connection is lost; if it does not come back in half a minute, exchange new texts"


class DirectLine(LoopLine):
    """One end's direct line; `servers` are addresses of STUN or TURN, none unless the user names them.

    Raises NotInstalled. `secret` is what the lesson's keys are agreed by, once both texts are known.
    """

    def __init__(self, role: Role, servers: tuple[str, ...] = ()) -> None:
        check_installed("aiortc")
        super().__init__("direct")
        self._role, self._servers = role, servers
        self._peer: RTCPeerConnection | None = None
        self._channels: dict[Lane, RTCDataChannel] = {}
        self._connected: asyncio.Event | None = None
        self._invitation = self._answer = ""
        self._begin(OPENS_WITHIN_S)

    @property
    def secret(self) -> bytes:
        """Both texts, as they are written; they are no secret, but the connection is to the certificate in them."""
        return f"{self._invitation} {self._answer}".encode("ascii")

    def invite(self) -> str:
        """The teacher's first text, of a new connection; raises LessonError."""
        self._invitation = self._do(self._invite())
        return self._invitation

    def answer(self, text: str) -> str:
        """The pupil's answer to the teacher's text; raises LessonError."""
        read = read_text(text, INVITATION)
        self._invitation = pack_text(read)
        self._answer = self._do(self._answer_to(description_of(read)))
        return self._answer

    def accept(self, text: str) -> None:
        """Take the pupil's answer; raises LessonError."""
        read = read_text(text, ANSWER)
        self._answer = pack_text(read)
        self._do(self._accept(description_of(read)))

    def wait_open(self, within_s: float = OPENS_WITHIN_S) -> None:
        """Wait until both channels are open; raises LineRefused."""
        try:
            self._do(self._wait_connected(), within_s)
        except LessonError:
            raise LineRefused(
                self.name,
                "the other end cannot be reached",
                "try again with new texts; behind some networks only a relay helps",
            ) from None

    # --- in the actor's thread ---

    def _do(self, work: Coroutine[Any, Any, Any], within_s: float = ANSWERS_WITHIN_S) -> Any:
        assert self._loop is not None
        try:
            return asyncio.run_coroutine_threadsafe(work, self._loop).result(within_s)
        except LessonError:
            raise
        except Exception as error:
            raise LessonError(
                f"no direct line can be made ({type(error).__name__}); try again with new texts"
            ) from None

    async def _open(self) -> None:
        """A line is open for its texts from the beginning; for packets, once they were exchanged."""

    async def _new_peer(self) -> "RTCPeerConnection":
        from aiortc import RTCConfiguration, RTCIceServer, RTCPeerConnection

        await self._leave()
        peer = RTCPeerConnection(RTCConfiguration([RTCIceServer(urls=server) for server in self._servers]))
        self._peer, self._connected = peer, asyncio.Event()
        self._channels = {
            Lane.NOW: peer.createDataChannel("now", ordered=False, maxRetransmits=0, negotiated=True, id=0),
            Lane.LOG: peer.createDataChannel("log", negotiated=True, id=1),
        }
        for channel in self._channels.values():
            channel.on("message", self._heard)
            channel.on("open", self._look)

        def changed() -> None:
            lost = peer is self._peer and peer.connectionState in ("disconnected", "failed", "closed")
            self.trouble = LOST if lost and not self._closing else ""

        peer.on("connectionstatechange", changed)
        return peer

    def _heard(self, message: object) -> None:
        if isinstance(message, bytes):
            self._came(message)

    def _look(self) -> None:
        if self._connected is not None and all(one.readyState == "open" for one in self._channels.values()):
            self._connected.set()

    async def _invite(self) -> str:
        peer = await self._new_peer()
        await peer.setLocalDescription(await peer.createOffer())
        return pack_text(text_of(peer.localDescription.sdp, INVITATION))

    async def _answer_to(self, description: str) -> str:
        from aiortc import RTCSessionDescription

        peer = await self._new_peer()
        await peer.setRemoteDescription(RTCSessionDescription(description, "offer"))
        await peer.setLocalDescription(await peer.createAnswer())
        return pack_text(text_of(peer.localDescription.sdp, ANSWER))

    async def _accept(self, description: str) -> None:
        from aiortc import RTCSessionDescription

        if self._peer is None or self._peer.signalingState != "have-local-offer":
            raise LessonError("expected an answer to a text of this program, got one to none; begin anew")
        await self._peer.setRemoteDescription(RTCSessionDescription(description, "answer"))

    async def _wait_connected(self) -> None:
        if self._connected is None:
            raise LessonError("expected texts to be exchanged first")
        self._look()
        await self._connected.wait()

    async def _put(self, lane: Lane, packet: bytes) -> None:
        channel = self._channels.get(lane)
        if channel is not None and channel.readyState == "open" and channel.bufferedAmount < MOST_BUFFERED[lane]:
            with contextlib.suppress(Exception):  # the package raises what its transport does
                channel.send(packet)

    async def _leave(self) -> None:
        peer, self._peer, self._channels = self._peer, None, {}
        if peer is not None:
            with contextlib.suppress(Exception):
                await asyncio.wait_for(peer.close(), 2)
