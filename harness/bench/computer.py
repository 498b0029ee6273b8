"""The computer that an unattended night depends on: installation, links, permissions, clock, disk, sleep, fonts.

Looks only: opens no port, asks no instrument, and leaves nothing behind but a file that it writes and removes to see
that the folder of the cells takes one. Each check says what it saw and, where something is to be done, what.
"""

import importlib
import importlib.metadata
import importlib.util
import locale
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from importlib import resources
from pathlib import Path
from typing import Literal, NamedTuple

from amphora.harness.common.optional_parts import PARTS, how_to_get, is_there

DISTRIBUTION = "amphora-bench"
ENOUGH_DISK_BYTES = 500_000_000  # hundreds of nights of 36,000 rows (about 2 MB each), and the pictures
FULL_DISK_BYTES = 50_000_000
SLOW_SYNC_S = 0.1  # a row is synced with each reading at up to 10 readings a second
PROGRAM_TIMEOUT_S = 5.0
OLDEST = (3, 11)


class Looked(NamedTuple):
    """One thing that was looked at.

    verdict: `right`; `look`: works, with something to know; `wrong`: a night should not begin before it is mended.
    todo: what a person does about it; empty where nothing.
    """

    name: str
    verdict: Literal["right", "look", "wrong"]
    text: str
    todo: str = ""


def examine(logs: Path) -> list[Looked]:
    """Return everything that is looked at on this computer, in the order of a newcomer's questions.

    Args:
        logs: The folder in which the cells are kept; it need not exist yet.
    """
    from amphora.harness.common.keep_awake import stay_awake

    with stay_awake() as awake:
        sleep = look_at_sleep(awake.works, awake.text, _lid(), _sleep_is_masked(_run_program))
    return [
        look_at_python(sys.version_info[:3], sys.maxsize > 2**32),
        look_at_packages(importlib.metadata.requires(DISTRIBUTION) or (), _installed),
        *look_at_parts(is_there),
        look_at_visa(_visa_interfaces()),
        look_at_ports(_serial_ports(), _may_open),
        look_at_clock(_clock_is_set(_run_program)),
        *look_at_disk(logs),
        sleep,
        look_at_fonts(),
        look_at_terminal(sys.stdout.encoding or "", shutil.get_terminal_size((80, 24)).columns),
    ]


def look_at_python(version: tuple[int, ...], wide: bool) -> Looked:
    """Judge the interpreter: its version and whether it is a 64-bit one."""
    text = f"{'.'.join(map(str, version))}, {'64' if wide else '32'}-bit"
    if version[:2] < OLDEST:
        return Looked("Python", "wrong", text, "Install Python 3.11 or newer.")
    if not wide:
        return Looked("Python", "look", text, "Some libraries have no build for 32-bit systems; use a 64-bit system.")
    return Looked("Python", "right", text)


def look_at_packages(required: Iterable[str], installed: Callable[[str], str | None]) -> Looked:
    """Judge whether the libraries that the program needs are there.

    Args:
        required: As the distribution's metadata lists them.
        installed: Returns a distribution's version; None where it is not there.
    """
    missing = []
    for line in required:
        name, _, marker = line.partition(";")
        if "extra" in marker or ("win32" in marker and sys.platform != "win32"):
            continue
        plain = re.split(r"[\s<>=!~\[(]", name.strip(), maxsplit=1)[0]
        if installed(plain) is None:
            missing.append(plain)
    if missing:
        return Looked("libraries", "wrong", f"missing: {', '.join(missing)}", f"pip install {' '.join(missing)}")
    version = installed(DISTRIBUTION)
    return Looked("libraries", "right", "all there" + (f"; amphora {version}" if version else ""))


def look_at_parts(there: Callable[[str], bool]) -> list[Looked]:
    """Tell of each optional part whether it is there, what it is for and its size; never wrong.

    Args:
        there: Whether a part of `optional_parts.PARTS` is installed.
    """
    return [
        Looked(
            f"part '{name}'", "right",
            f"{'installed' if there(name) else 'not installed'} (optional, {part.size_MB} MB: {part.use})"
            + ("" if there(name) else f"; {how_to_get(name)}"),
        )
        for name, part in PARTS.items()
    ]  # fmt: skip


def look_at_visa(found: dict[str, str]) -> Looked:
    """Judge what VISA can reach: `found` maps an interface to "" where it works, else to why it does not."""
    works = [name for name, why in found.items() if not why]
    lacks = [f"{name} ({why})" for name, why in found.items() if why]
    if not works:
        return Looked("VISA", "wrong", "; ".join(lacks) or "no backend", "pip install pyvisa pyvisa-py pyserial pyusb")
    if lacks:
        return Looked(
            "VISA", "look", f"works: {', '.join(works)}; not: {'; '.join(lacks)}",
            "For an instrument on USB install libusb (Debian: sudo apt install libusb-1.0-0); else leave it.",
        )  # fmt: skip
    return Looked("VISA", "right", f"works: {', '.join(works)}")


def look_at_ports(ports: Sequence[str], may_open: Callable[[str], bool]) -> Looked:
    """Judge the serial ports: which there are, and whether this user may open them."""
    if not ports:
        return Looked(
            "serial ports", "look", "none found", "Plug in the logger or instrument, then run this again."
        )  # fmt: skip
    closed = [port for port in ports if not may_open(port)]
    if not closed:
        return Looked("serial ports", "right", ", ".join(ports))
    group = _group_of(closed[0])
    return Looked(
        "serial ports", "wrong", f"not yours to open: {', '.join(closed)}",
        f"sudo usermod -aG {group} $USER, then log out and in again." if group else "Close what else uses the port.",
    )  # fmt: skip


def look_at_clock(kept: bool | None) -> Looked:
    """Judge the wall clock: dates on certificates and the four hours after a full charge hang on it."""
    now = time.strftime("%Y-%m-%d %H:%M %Z")
    if kept is None:
        return Looked("clock", "look", f"{now}; not known whether the network sets it", "Compare it with a watch.")
    if not kept:
        return Looked(
            "clock", "look", f"{now}; the network does not set it",
            "Compare it with a watch; sudo timedatectl set-ntp true lets the network set it.",
        )  # fmt: skip
    return Looked("clock", "right", f"{now}; set by the network")


def look_at_disk(logs: Path) -> list[Looked]:
    """Judge the folder of the cells: can it be written, how much room is left, how long does a write take to land."""
    place = logs.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    told = f"{logs}" + ("" if logs.exists() else " (will be made)")
    try:
        with tempfile.NamedTemporaryFile(dir=place, prefix=".amphora-doctor-") as file:
            began = time.monotonic()
            for _ in range(5):
                file.write(b"3.700,0.000\n")
                file.flush()
                os.fsync(file.fileno())
            sync_s = (time.monotonic() - began) / 5
        free = shutil.disk_usage(place).free
    except OSError as error:
        return [
            Looked(
                "folder of the cells", "wrong", f"{told}: {error.strerror or error}",
                "Choose a folder of yours with --logs or AMPHORA_LOGS.",
            )
        ]  # fmt: skip
    return [
        Looked("folder of the cells", "right", f"{told}; AMPHORA_LOGS sets it for every command"),
        _room(free),
        Looked(
            "writing", "look", f"a row takes {sync_s * 1000:.0f} ms to be safe on this disk",
            "Use a faster disk or card, or record a row each second.",
        )
        if sync_s > SLOW_SYNC_S
        else Looked("writing", "right", f"a row is safe on the disk after {sync_s * 1000:.1f} ms"),
    ]  # fmt: skip


def _room(free: int) -> Looked:
    text = f"{free / 1e9:.1f} GB free; a night takes about 2 MB"
    if free < FULL_DISK_BYTES:
        return Looked("disk", "wrong", text, "Make room first: a full disk ends a run.")
    if free < ENOUGH_DISK_BYTES:
        return Looked("disk", "look", text, "Make room soon.")
    return Looked("disk", "right", text)


def look_at_sleep(agreed: bool, said: str, lid: bool, masked: bool) -> Looked:
    """Judge whether the computer may fall asleep in a night: asleep, it guards nothing.

    Args:
        agreed: The system agreed to stay awake when it was asked just now.
        said: How, or why not.
        lid: There is a lid that can be closed.
        masked: The system cannot sleep at all.
    """
    if masked:
        return Looked("sleep", "right", "this system never sleeps (its sleep target is masked)")
    lid_todo = "Leave the lid open: closing it can put the computer to sleep all the same."
    if agreed:
        return Looked("sleep", "look" if lid else "right", f"{said}", lid_todo if lid else "")
    short = said.partition(";")[0].partition(" (")[0]  # the library's own words are for a run's events
    return Looked("sleep", "look", short, "Turn sleep off in the system's settings." + (f" {lid_todo}" if lid else ""))


def look_at_fonts() -> Looked:
    """Judge whether certificates can be made: the program's own fonts, and the library that sets them."""
    fonts = resources.files("amphora.harness.report") / "fonts"
    found = [one.name for one in fonts.iterdir()] if fonts.is_dir() else []
    if not any(name.endswith((".ttf", ".otf")) for name in found):
        return Looked("certificates", "wrong", "the program's fonts are missing", "Install the program again.")
    if importlib.util.find_spec("typst") is None:
        return Looked("certificates", "wrong", "the library typst is missing", "pip install typst")
    return Looked("certificates", "right", "fonts and PDF library are there")


def look_at_terminal(encoding: str, columns: int) -> Looked:
    """Judge the terminal: signs such as ± and °, and 80 columns."""
    if encoding.lower().replace("-", "") != "utf8":
        return Looked(
            "terminal", "look", f"{encoding or locale.getpreferredencoding()}: ± and ° are written in letters",
            "Set the terminal to UTF-8 to see them.",
        )  # fmt: skip
    if columns < 80:
        return Looked("terminal", "look", f"{columns} columns", "Make it 80 columns wide: tables fit then.")
    return Looked("terminal", "right", f"UTF-8, {columns} columns")


# -- what this computer says --------------------------------------------------------------------------------------


def _installed(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def _visa_interfaces() -> dict[str, str]:
    """Return each interface that benches use, with "" or why it does not work here."""
    found = {}
    for interface, module in (("TCP", "pyvisa_py"), ("serial", "serial")):
        found[interface] = "" if importlib.util.find_spec(module) is not None else f"{module} is not installed"
    if importlib.util.find_spec("usb") is None:
        found["USB"] = "pyusb is not installed"
    else:
        backend = importlib.import_module("usb.backend.libusb1").get_backend()
        found["USB"] = "" if backend is not None else "libusb is not installed"
    return found


def _serial_ports() -> list[str]:
    from serial.tools import list_ports

    return sorted(port.device for port in list_ports.comports())


def _may_open(port: str) -> bool:
    return sys.platform == "win32" or os.access(port, os.R_OK | os.W_OK)


def _group_of(port: str) -> str:
    """Return the group that may open a port; "" where the system has none."""
    try:
        import grp

        return grp.getgrgid(Path(port).stat().st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return ""


def _run_program(words: Sequence[str]) -> str | None:
    """Return what a program of the system prints; None where there is none, or it fails."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, timeout=PROGRAM_TIMEOUT_S, check=False)
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout.strip() if done.returncode == 0 or done.stdout.strip() else None


def _clock_is_set(run: Callable[[Sequence[str]], str | None]) -> bool | None:
    """Whether the network sets the clock; None where nobody says."""
    said = run(("timedatectl", "show", "--property=NTPSynchronized", "--value"))
    return {"yes": True, "no": False}.get(said or "")


def _sleep_is_masked(run: Callable[[Sequence[str]], str | None]) -> bool:
    return run(("systemctl", "is-enabled", "sleep.target")) == "masked"


def _lid() -> bool:
    return any(Path("/proc/acpi/button/lid").glob("*"))
