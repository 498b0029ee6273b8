"""TCP and pseudo-terminals: bytes in, lines to the machine, answers out, each when it is due."""

import contextlib
import os
import queue
import re
import socket
import struct
import termios
import threading
import time
import tty


class Session:
    """One connection: its half-read line, its remote mode, and what is still to be sent."""

    def __init__(self, machine, send, end: bytes) -> None:
        self.machine, self.end = machine, end
        self.remote = False
        self._send = send
        self.line = getattr(machine, "on_the_line", lambda data: data)
        self._rest = b""
        self._out: queue.Queue = queue.Queue()
        self.messages = 0
        threading.Thread(target=self._write, daemon=True).start()

    def take(self, data: bytes) -> bool:
        """Take what came; False when the machine hangs up."""
        data = self.line(data)
        if not data:
            return True
        self._rest += data
        if getattr(self.machine, "raw", False):
            return self._take_bytes(len(data))
        *lines, self._rest = re.split(rb"\r\n|\n|\r", self._rest)
        for raw in lines:
            line = raw.decode("latin-1")
            if not line.strip():
                continue
            slow_s = float(self.machine.faults.get("slow", 0.0))
            if slow_s:
                self.machine.fire("slow")
                time.sleep(slow_s)
            answer = self.machine.hear(line, self)
            out, late_s = self.machine.wire(line, answer, self.end)
            if out:
                self._put(out, late_s)
            self.messages += 1
            after = self.machine.faults.get("drops")
            if after and self.messages >= int(after):
                self.machine.fire("drops")
                return False
        return True

    def _put(self, out: bytes, late_s: float) -> None:
        now_s = time.monotonic()
        self._out.put((now_s + late_s, out))
        again_s = float(self.machine.faults.get("again", 0.0))  # the same answer comes once more, so much later
        if again_s:
            self.machine.fire("again")
            self._out.put((now_s + late_s + again_s, out))

    def _take_bytes(self, fresh: int) -> bool:
        self.machine.fresh = fresh
        found, self._rest = self.machine.take_bytes(self._rest)
        for message, answer in found:
            out, late_s = self.machine.wire_bytes(message, answer)
            if out:
                self._put(out, late_s)
            self.messages += 1
        return True

    def close(self) -> None:
        self._out.put(None)

    def _write(self) -> None:
        while (one := self._out.get()) is not None:
            due_s, data = one
            time.sleep(max(0.0, due_s - time.monotonic()))
            with contextlib.suppress(OSError):
                self._send(self.line(data))


class OverTcp:
    """A listening socket; how many sessions there may be, and how long a dead one is held, are faults."""

    def __init__(self, machine, end: bytes) -> None:
        self.machine, self.end = machine, end
        self.listener = socket.create_server(("127.0.0.1", 0), backlog=8)
        self.port = self.listener.getsockname()[1]
        self.open: list = []
        self.free_s = 0.0  # since when nobody is there, or until when a dead session is held
        self.refused = 0
        self.accepted = 0
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def hang_up(self) -> None:
        """End every session there is."""
        for one in list(self.open):
            with contextlib.suppress(OSError):
                one.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                one.shutdown(socket.SHUT_RDWR)

    def taken(self) -> bool:
        return bool(self.open) or time.monotonic() < self.free_s

    def _serve(self) -> None:
        while True:
            while "queue" in self.machine.faults and self.taken():
                time.sleep(0.01)
            try:
                link, _ = self.listener.accept()
            except OSError:
                return
            if "queue" in self.machine.faults and self.taken():
                self.machine.fire("queue")
                while self.taken():  # its bytes wait in the socket, unheard
                    time.sleep(0.01)
            if "session" in self.machine.faults and self.taken():
                self.machine.fire("session")
                self.refused += 1
                link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                link.close()
                continue
            self.accepted += 1
            self.open.append(link)
            threading.Thread(target=self._hold, args=(link,), daemon=True).start()

    def _hold(self, link: socket.socket) -> None:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        session = Session(self.machine, link.sendall, self.end)
        getattr(self.machine, "connected", lambda: None)()
        try:
            while data := link.recv(4096):
                if not session.take(data):
                    break
        except OSError:
            pass
        session.close()
        faults = self.machine.faults
        self.free_s = time.monotonic() + float(faults.get("session", faults.get("queue", 0.0)))
        self.open.remove(link)
        with contextlib.suppress(OSError):
            link.close()


class OverSerial:
    """A pseudo-terminal; its near end stays open, so that whoever leaves does not end it."""

    def __init__(self, machine, end: bytes) -> None:
        self.machine = machine
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave, termios.TCSANOW)
        self.path = os.ttyname(self.slave)
        self.session = Session(machine, lambda data: os.write(self.master, data), end)
        threading.Thread(target=self._serve, daemon=True).start()

    @property
    def resource(self) -> str:
        return f"ASRL{self.path}::INSTR"

    def hang_up(self) -> None:
        """A serial line cannot hang up."""

    def _serve(self) -> None:
        while True:
            try:
                data = os.read(self.master, 4096)
            except OSError:
                return
            self.session.take(data)
