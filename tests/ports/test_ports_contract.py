from __future__ import annotations

import pytest

pytest.importorskip("pty", reason="needs a system with pseudo-terminals")

from far_sides import LoopSide, PtySide, ReplaySide, SimulatedSide, SocketSide
from port_contract import PortContract


class TestSerialOverAPseudoTerminal(PortContract):
    side = PtySide


class TestSerialOverASocket(PortContract):
    side = SocketSide


class TestSerialOverALoop(PortContract):
    side = LoopSide


class TestReplay(PortContract):
    side = ReplaySide


class TestSimulated(PortContract):
    side = SimulatedSide
