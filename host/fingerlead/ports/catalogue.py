"""The catalogue of ports: what a user can write for one, opened, and those that the system knows of."""

from fingerlead.ports.base import SIMULATED, Found, Port, PortRefused


def open_port(spec: str) -> Port:
    """Open a port; raises PortRefused.

    `sim`, `midi:NAME` (part of the name will do), `replay:FILE[@SPEED]`, or what `SerialPort` opens: a device path,
    `socket://HOST:PORT` or `rfc2217://HOST:PORT`. `@250000` at its end sets a serial port's speed; `@no-dtr` is for a
    board that starts anew when opened.
    """
    if spec == SIMULATED:
        from fingerlead.ports.simulated_port import SimulatedPort

        return SimulatedPort()
    if spec.startswith("midi:"):
        from fingerlead.ports.midi_port import MidiPort

        return MidiPort(spec)
    if spec.startswith("replay:"):
        from fingerlead.ports.replay_port import open_replay

        return open_replay(spec)
    if not spec.strip():
        raise PortRefused("port", "its name is empty", "see what there is with: fingerlead devices")
    from fingerlead.ports.serial_port import DEFAULT_BAUD, SerialPort

    name, baud, dtr = spec, DEFAULT_BAUD, True
    while True:
        before, found, option = name.rpartition("@")
        if found and option == "no-dtr":
            dtr = False
        elif found and option.isascii() and option.isdigit():
            baud = int(option)
        else:
            return SerialPort(name, baud, dtr)
        name = before


def serial_ports() -> list[Found]:
    """The serial ports that the system knows of. PTYs and network ports are in no list."""
    from serial.tools.list_ports import comports

    return [Found(port.device, "" if port.description == "n/a" else port.description) for port in sorted(comports())]


def midi_ports() -> tuple[list[Found], str]:
    """The MIDI inputs; and why there are none, where MIDI cannot be used at all."""
    from fingerlead.ports.midi_system import list_midi

    return list_midi("input")
