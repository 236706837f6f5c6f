"""A chanter that can send notes only: one note for each hole that is covered. It hears nothing."""

from __future__ import annotations

from fingering.holes import HOLES
from host.wire.messages import Holes, Message, Request, Unknown

BASE_NOTE = 24
CHANNEL = 16
VELOCITY = 64


class PlainLink:
    """Writes holes frames as note-on (covered) and note-off (open) messages; all other messages as nothing."""

    def __init__(self) -> None:
        self._told: int | None = None

    def receive(self, data: bytes) -> list[Request | Unknown]:
        """Nothing: such a chanter takes no requests."""
        return []

    def send(self, message: Message) -> bytes:
        """The notes of what differs from the last holes frame; of all eight holes at first."""
        if not isinstance(message, Holes):
            return b""
        differs = 0xFF if self._told is None else message.covered_mask ^ self._told
        self._told = message.covered_mask
        out = bytearray()
        for hole in range(HOLES):
            if differs >> hole & 1:
                covered = message.covered_mask >> hole & 1
                out += bytes(((0x90 if covered else 0x80) | CHANNEL - 1, BASE_NOTE + hole, VELOCITY * covered))
        return bytes(out)
