"""One process with instruments of foreign make around one cell.

    python tests/support/foreign/serve.py '{"cell": {...}, "instruments": {"load": {"kind": "load",
        "style": "generic", "wire": "tcp", "lacks": []}, "relay": {"kind": "relay", "wire": "serial"}}}'

Prints one line of JSON when it is ready: the control port and each instrument's resource. The control port takes one
line of JSON an order and answers one: {"do": "truth"}, {"do": "received", "of": "load"}, {"do": "fault", "of": "load",
"name": "mute", "value": true}, {"do": "mend", "of": "load", "name": "mute"} (without a name: all),
{"do": "hang-up", "of": "load"}, {"do": "cell", "set": {...}}, {"do": "end"}. Times are of time.monotonic(), which all
processes of one computer share. Ends with its standard input.
"""

import json
import os
import socket
import sys
import threading
import time

from circuit import Circuit
from described import (
    CoilBoard,
    FramedLoad,
    FramedMeter,
    FramedSupply,
    PolledBoard,
    PolledLoad,
    PolledMeter,
    PolledSupply,
    RegistersLoad,
    RegistersMeter,
    RegistersSupply,
)
from generic import GenericLoad, GenericSupply
from otherwise import OtherwiseLoad, OtherwiseSupply
from relay import Relay
from wires import OverSerial, OverTcp

MAKES = {
    ("load", "generic"): (GenericLoad, b"\n"),
    ("supply", "generic"): (GenericSupply, b"\n"),
    ("load", "otherwise"): (OtherwiseLoad, b"\r\n"),
    ("supply", "otherwise"): (OtherwiseSupply, b"\r\n"),
    ("load", "polled"): (PolledLoad, b"\r\n"),
    ("supply", "polled"): (PolledSupply, b"\r\n"),
    ("meter", "polled"): (PolledMeter, b"\r\n"),
    ("switch", "polled"): (PolledBoard, b"\r\n"),
    ("switch", "registers"): (CoilBoard, b""),
    ("load", "framed"): (FramedLoad, b""),
    ("supply", "framed"): (FramedSupply, b""),
    ("meter", "framed"): (FramedMeter, b""),
    ("load", "registers"): (RegistersLoad, b""),
    ("supply", "registers"): (RegistersSupply, b""),
    ("meter", "registers"): (RegistersMeter, b""),
}


class Process:
    def __init__(self, wanted: dict) -> None:
        self.circuit = Circuit(**wanted.get("cell", {}))
        self.machines: dict = {}
        self.wires: dict = {}
        for name, one in wanted["instruments"].items():
            if one["kind"] == "relay":
                machine, end = Relay(name, self.circuit, one.get("release_s", 3.0)), b"\n"
            else:
                make, end = MAKES[one["kind"], one.get("style", "generic")]
                machine = make(name, self.circuit, lacks=one.get("lacks", ()))
            machine.faults.update(one.get("faults", {}))
            self.machines[name] = machine
            wire = OverSerial if one.get("wire", "tcp") == "serial" else OverTcp
            self.wires[name] = wire(machine, end)
        threading.Thread(target=self.circuit.live, daemon=True).start()
        self.control = socket.create_server(("127.0.0.1", 0))

    def greeting(self) -> dict:
        found = {
            name: {"resource": wire.resource, "port": getattr(wire, "path", None) or wire.port}
            for name, wire in self.wires.items()
        }
        return {"control": self.control.getsockname()[1], "instruments": found}

    def serve(self) -> None:
        while True:
            link, _ = self.control.accept()
            threading.Thread(target=self._talk, args=(link,), daemon=True).start()

    def _talk(self, link: socket.socket) -> None:
        with link, link.makefile("rwb") as file:
            for line in file:
                try:
                    told = self.do(json.loads(line))
                except (KeyError, TypeError, ValueError) as error:
                    told = {"wrong": repr(error)}
                file.write(json.dumps(told).encode() + b"\n")
                file.flush()

    def do(self, order: dict) -> object:
        do, of = order["do"], order.get("of")
        if do == "end":
            os._exit(0)
        if do == "truth":
            volt, drawn, fed = self.circuit.state()
            cell = {
                "voltage_V": volt, "open_V": self.circuit.open_V(), "drawn_A": drawn, "fed_A": fed,
                "charge_Ah": self.circuit.charge_Ah, "taken_Ah": self.circuit.taken_Ah,
                "given_Ah": self.circuit.given_Ah, "lowest_V": self.circuit.lowest_V,
                "highest_V": self.circuit.highest_V,
            }  # fmt: skip
            found = {name: machine.truth() for name, machine in self.machines.items()}
            for name, wire in self.wires.items():
                if isinstance(wire, OverTcp):
                    found[name] |= {"sessions": len(wire.open), "refused": wire.refused, "accepted": wire.accepted}
            return {"now_s": time.monotonic(), "cell": cell, **found}
        if do == "received":
            with self.circuit.lock:
                return list(self.machines[of].received)
        if do == "fault":
            with self.circuit.lock:
                self.machines[of].faults[order["name"]] = order.get("value", True)
        elif do == "mend":
            with self.circuit.lock:
                faults = self.machines[of].faults
                for name in [order["name"]] if "name" in order else list(faults):
                    faults.pop(name, None)
        elif do == "hang-up":
            self.wires[of].hang_up()
        elif do == "switch":  # as a hand on the instrument's own keys
            with self.circuit.lock:
                self.machines[of].switch(bool(order["on"]))
        elif do == "cell":
            with self.circuit.lock:
                for name, value in order["set"].items():
                    setattr(self.circuit, name, value)
        else:
            raise ValueError(do)
        return {"done": do}


def main() -> None:
    process = Process(json.loads(sys.argv[1]))
    print(json.dumps(process.greeting()), flush=True)
    threading.Thread(target=process.serve, daemon=True).start()
    while sys.stdin.read(1):
        pass


if __name__ == "__main__":
    main()
