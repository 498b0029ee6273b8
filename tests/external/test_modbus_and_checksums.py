"""Described instruments against what nobody here wrote: pymodbus's own server, published check values of CRCs."""

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from amphora.drivers.clock import RealClock
from amphora.drivers.errors import DriverError
from amphora.drivers.opening import open_instrument
from amphora.drivers.polled.coding import Check, checksum

LOAD = """
format = "amphora-dialect/1"
name = "plain-registers"
role = "load"
about = "Holding registers of a server that only stores."

[protocol]
kind = "modbus"
framing = "FRAMING"
address = 3
identity = { read = "holding", register = 4, is = 7001 }

[output]
on = { write = 32, is = 1 }
off = { write = 32, is = 0, many = true }
query = { read = "holding", register = 32, on = 1, off = 0 }

[settings.current]
set = { write = 16, type = "u32", scale = 0.0001, low_word_first = LOW }
query = { read = "holding", register = 16, type = "u32", scale = 0.0001, low_word_first = LOW }
high = 10.0

[measure]
voltage = { read = "input", register = 8, type = "f32" }
current = { read = "input", register = 10, type = "i16", scale = 0.001 }
"""


RELAY = """
format = "amphora-dialect/1"
name = "plain-coils"
role = "switch"
about = "Coils of a server that only stores; a feedback contact as a discrete input."

[protocol]
kind = "modbus"
framing = "FRAMING"
address = 3
identity = { read = "holding", register = 4, is = 7001 }

[positions]
open = { write_coil = 5, is = 0 }
discharge = { write_coil = 5, is = 1 }
query = { read = "KIND", register = 5, on = 1, off = 0 }

[habit]
kind = "plain"
"""


class Server:
    """pymodbus's TCP server in a thread: it answers and stores, and shares nothing with the drivers but the frames."""

    def __init__(self, framer: FramerType) -> None:
        self._ready, self._framer = threading.Event(), framer
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(20)

    def held(self, address: int, count: int = 1, function: int = 3) -> Any:
        waiting = self._server.async_getValues(3, function, address, count)
        return asyncio.run_coroutine_threadsafe(waiting, self._loop).result(20)

    def hold(self, address: int, value: int) -> None:
        asyncio.run_coroutine_threadsafe(self._server.async_setValues(3, 6, address, [value]), self._loop).result(20)

    async def _serve(self) -> None:
        holding = [SimData(0, values=[0, 0, 0, 0, 7001] + [0] * 59, datatype=DataType.REGISTERS)]
        inputs = [
            SimData(0, count=8, values=0, datatype=DataType.REGISTERS),
            SimData(8, values=3.7, datatype=DataType.FLOAT32),
            SimData(10, values=-2, datatype=DataType.INT16),
        ]
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        device = SimDevice(3, simdata=(bits, bits, holding, inputs))
        self._server = server = ModbusTcpServer(device, framer=self._framer, address=("127.0.0.1", 0))
        self._loop, self._end = asyncio.get_running_loop(), asyncio.Event()
        await server.serve_forever(background=True)
        self.port = server.transport.sockets[0].getsockname()[1]
        self._ready.set()
        await self._end.wait()
        await server.shutdown()

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(20)


@pytest.fixture(params=["rtu", "tcp"])
def served(request: pytest.FixtureRequest) -> Iterator[tuple[Server, str]]:
    server = Server(FramerType.RTU if request.param == "rtu" else FramerType.SOCKET)
    yield server, request.param
    server.end()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("low_word_first", [False, True])
def test_a_kept_librarys_server_stores_and_gives_back_what_the_driver_ordered(
    served: tuple[Server, str], low_word_first: bool, tmp_path: Path
) -> None:
    server, framing = served
    file = tmp_path / "load.toml"
    file.write_text(LOAD.replace("FRAMING", framing).replace("LOW", str(low_word_first).lower()), encoding="utf-8")
    table: dict[str, Any] = {
        "role": "load", "resource": f"TCPIP::127.0.0.1::{server.port}::SOCKET", "dialect": str(file), "timeout": "2 s",
    }  # fmt: skip
    load: Any = open_instrument("load", table, RealClock())
    assert load.read() == {"voltage_V": pytest.approx(3.7, abs=1e-6), "current_A": pytest.approx(0.002)}
    assert load.set_discharge("current", 7.5) == 7.5
    words = server.held(16, 2)
    assert words == ([75000 & 0xFFFF, 75000 >> 16] if low_word_first else [75000 >> 16, 75000 & 0xFFFF])
    load.set_input(True)
    assert server.held(32) == [1]
    assert load.make_safe().off
    assert server.held(32) == [0]
    server.hold(32, 2)  # neither on nor off: said, not guessed
    with pytest.raises(DriverError, match="neither on nor off"):
        load.read_setup()
    load.close()


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", ["coil", "discrete"])
def test_a_relays_coils_and_its_feedback_are_read_back_from_a_kept_librarys_server(
    served: tuple[Server, str], kind: str, tmp_path: Path
) -> None:
    server, framing = served
    file = tmp_path / "relay.toml"
    file.write_text(RELAY.replace("FRAMING", framing).replace("KIND", kind), encoding="utf-8")
    table: dict[str, Any] = {
        "role": "switch", "resource": f"TCPIP::127.0.0.1::{server.port}::SOCKET", "dialect": str(file),
        "timeout": "2 s",
    }  # fmt: skip
    relay: Any = open_instrument("switch", table, RealClock())
    if kind == "coil":
        relay.connect("discharge")
        assert server.held(5, function=1) == [True]
        assert relay.make_safe().off
    else:  # the feedback stays open whatever is ordered: a contact that did not make is said, not believed
        with pytest.raises(DriverError):
            relay.connect("discharge")
        assert relay.make_safe().off
    assert server.held(5, function=1) == [False]
    relay.close()


@pytest.mark.parametrize(
    ("check", "expected"),
    [
        # Check values of "123456789", as catalogues of parametrised CRC algorithms print them (from memory).
        ({"size": 2, "polynomial": 0x1021, "init": 0xFFFF, "final": 0, "reflect": False}, 0x29B1),
        ({"size": 2, "polynomial": 0x8005, "init": 0xFFFF, "final": 0, "reflect": True}, 0x4B37),
        ({"size": 2, "polynomial": 0x1021, "init": 0, "final": 0, "reflect": False}, 0x31C3),
        ({"size": 1, "polynomial": 0x07, "init": 0, "final": 0, "reflect": False}, 0xF4),
        ({"size": 4, "polynomial": 0x04C11DB7, "init": 0xFFFFFFFF, "final": 0xFFFFFFFF, "reflect": True}, 0xCBF43926),
    ],
)
def test_checksums_have_their_published_check_values(check: dict[str, Any], expected: int) -> None:
    made = checksum(Check("crc", endian="big", **check), b"123456789")
    assert int.from_bytes(made, "big") == expected
    little = checksum(Check("crc", endian="little", **check), b"123456789")
    assert little == made[::-1]


def test_sum_and_exclusive_or_by_hand() -> None:
    data = bytes([0x10, 0x20, 0xF0])
    assert checksum(Check("sum", 1), data) == b"\x20"
    assert checksum(Check("sum", 1, complement=True), data) == b"\xe0"
    assert checksum(Check("xor", 1), data) == bytes([0x10 ^ 0x20 ^ 0xF0])
