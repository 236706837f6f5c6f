from __future__ import annotations

import pytest

pytest.importorskip("pty", reason="needs a system with pseudo-terminals")

from tests.ports.far_sides import PtySide, ReplaySide, Rfc2217Side, SimulatedSide, SocketSide
from tests.ports.port_contract import PortContract


class TestSerialOverAPseudoTerminal(PortContract):
    side = PtySide


class TestSerialOverASocket(PortContract):
    side = SocketSide


# pyserial 3.5 speaks to threads in the old way.
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
class TestSerialOverTheNetwork(PortContract):
    side = Rfc2217Side


class TestReplay(PortContract):
    side = ReplaySide


class TestSimulated(PortContract):
    side = SimulatedSide
