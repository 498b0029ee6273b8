"""From a test: start instruments of foreign make, ask for the truth, set faults, end them.

with Foreign(load={"style": "generic"}, supply={"style": "otherwise", "wire": "serial"}) as foreign:
    bench = foreign.bench_file(tmp_path)           # with the dialects beside this file
    foreign.fault("load", "mute")
    assert not foreign.truth()["load"]["on"]
"""

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
SCRIPT = HERE / "serve.py"
NEVER_S = 30.0  # a wait that ends the test


def dialect_file(kind: str, style: str) -> Path:
    """Return the table of commands of one style, written from docs/dialects.md alone."""
    return HERE / f"foreign-{style}-{kind}.toml"


class Foreign:
    """One process of `serve`; each keyword but `cell` is an instrument: its `kind` (the name where left out), `style`,
    `wire`, `lacks`, `faults`."""

    def __init__(self, cell: dict[str, Any] | None = None, **instruments: dict[str, Any]) -> None:
        self.kinds = {name: {"kind": name, **one} for name, one in instruments.items()}
        self._process = subprocess.Popen(
            [sys.executable, str(SCRIPT), json.dumps({"cell": cell or {}, "instruments": self.kinds})],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,  # Ctrl-C of the program under test is none of its
        )
        assert self._process.stdout is not None
        greeting = json.loads(self._process.stdout.readline())
        self.instruments: dict[str, dict[str, Any]] = greeting["instruments"]
        self._control = socket.create_connection(("127.0.0.1", greeting["control"]))
        self._file = self._control.makefile("rwb")

    def __enter__(self) -> "Foreign":
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    @property
    def pid(self) -> int:
        """The process, to stop it (SIGSTOP) or kill it."""
        return self._process.pid

    def ask(self, **order: Any) -> Any:
        """Send one order to the control port and return what it says."""
        self._file.write(json.dumps(order).encode() + b"\n")
        self._file.flush()
        told = json.loads(self._file.readline())
        assert "wrong" not in told, told
        return told

    def truth(self) -> dict[str, Any]:
        """Return what is so: `now_s`, `cell`, and each instrument by its name (`on`, `since_s`, `fired`, ...)."""
        return self.ask(do="truth")  # type: ignore[no-any-return]

    def received(self, name: str) -> list[tuple[float, str]]:
        """Return every message that arrived, with its time (time.monotonic())."""
        return [(float(at_s), str(text)) for at_s, text in self.ask(do="received", of=name)]

    def fault(self, name: str, fault: str, value: Any = True) -> None:
        """Set a fault: see `machine`."""
        self.ask(do="fault", of=name, name=fault, value=value)

    def mend(self, name: str, fault: str | None = None) -> None:
        """Take a fault away, or all of them."""
        self.ask(do="mend", of=name, **({} if fault is None else {"name": fault}))

    def hang_up(self, name: str) -> None:
        """End its sessions from its side."""
        self.ask(do="hang-up", of=name)

    def switch(self, name: str, on: bool) -> None:
        """Switch by hand."""
        self.ask(do="switch", of=name, on=on)

    def cell(self, **values: Any) -> None:
        """Change the cell: `charge_Ah`, `leads_open`, `reversed`, ..."""
        self.ask(do="cell", set=values)

    def wait(self, what: Callable[[dict[str, Any]], bool], seconds: float = NEVER_S) -> dict[str, Any]:
        """Ask for the truth until it is so; return it.

        Raises:
            AssertionError: it is not, after that long.
        """
        until_s = time.monotonic() + seconds
        while not what(truth := self.truth()):
            assert time.monotonic() < until_s, truth
            time.sleep(0.02)
        return truth

    def off_after_s(self, name: str, since_s: float, seconds: float = NEVER_S) -> float:
        """Wait until it is off; return how long after `since_s` (time.monotonic()) that was."""
        truth = self.wait(lambda one: not one[name]["on"], seconds)
        return max(0.0, float(truth[name]["since_s"]) - since_s)

    def table(self, name: str, dialect: str | None = None, **more: Any) -> dict[str, Any]:
        """Return an instrument's table of a bench file; its own dialect unless another is named."""
        kind = self.kinds[name]
        if kind["kind"] == "relay":
            hold = {"discharge": "text hold d", "charge": "text hold c"}
            return {"role": "switch", "port": self.instruments[name]["port"], "hold": hold, "release": "5 s", **more}
        own = str(dialect_file(kind["kind"], kind.get("style", "generic")))
        return {
            "role": kind["kind"], "resource": self.instruments[name]["resource"], "dialect": dialect or own, **more,
        }  # fmt: skip

    def bench_file(
        self,
        folder: Path,
        dialects: dict[str, str] | None = None,
        tables: dict[str, dict[str, Any]] | None = None,
        name: str = "foreign bench",
        **top: Any,
    ) -> Path:
        """Write a bench file with all of them, and return it. `tables`: further keys, by instrument."""
        text = f"name = {json.dumps(name)}\n"
        for key, value in {"leads": "relay" if "relay" in self.kinds else "wired", "sensed_at": "load", **top}.items():
            text += f"{key} = {json.dumps(value)}\n"
        for one in self.kinds:
            text += f"\n[instruments.{one}]\n"
            table = self.table(one, (dialects or {}).get(one)) | (tables or {}).get(one, {})
            for key, value in table.items():
                text += f"{key} = {_toml(value)}\n"
        path = folder / "bench.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def end(self) -> None:
        """End the process."""
        self._control.close()
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.kill()
        self._process.wait(timeout=10)
        self._process.stdin.close()
        self._process.stdout.close()


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + " }"
    return json.dumps(value)
