"""Who is at work: a lock with an owner, for a run folder and for a channel of an instrument.

The lock is the operating system's own on an open file, so it ends with its owner, however that ends;
beside it the file says who that is, for the one who is refused. Where a file system knows no such
locks (some network shares), the file itself is the lock: made in one act, and stale when its owner's
process is gone, or its number now belongs to a process that started at another time.

A folder's lock lies beside the folder (it is taken before the folder is made). A channel's lock lies
in folders of the user's own that the system empties, never among the data: in the one that every
session of the user finds, and in the session's own where there is one (a system may empty either
while a run is at work: the second when the user logs out, the first of what is days old). A channel is
one however its address is spelt: names resolved, device files followed; once it has said who it is, its
serial number is a second key.
"""

import contextlib
import errno
import hashlib
import importlib
import ipaddress
import json
import os
import re
import secrets
import socket
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from amphora.harness.common.errors import AmphoraError, BenchError, InputError

fcntl: Any = None
msvcrt: Any = None
with contextlib.suppress(ImportError):  # not on Windows
    fcntl = importlib.import_module("fcntl")
with contextlib.suppress(ImportError):  # only there
    msvcrt = importlib.import_module("msvcrt")

LOOPBACK = "127.0.0.1"
START_SLACK_S = 1.0  # the same process's start as read twice
NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, getattr(errno, "ENOTSUP", errno.EOPNOTSUPP), errno.EINVAL}
TAKEN = {errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK}
WINDOWS_BYTE = 1 << 30  # locked far behind the text, so that others can read who it is


@dataclass(frozen=True)
class Owner:
    """Who holds a lock. `started`: seconds since 1970 when that process began."""

    pid: int
    started: float
    host: str
    what: str
    since: str

    def is_alive(self) -> bool | None:
        """Return whether that very process lives; None when it is another computer's."""
        if self.host != socket.gethostname():
            return None
        started = process_start(self.pid)
        return started is not None and abs(started - self.started) <= START_SLACK_S

    def __str__(self) -> str:
        where = "" if self.host == socket.gethostname() else f" on {self.host}"
        who = "this program itself" if self.pid == os.getpid() and not where else f"process {self.pid}{where}"
        return f"{who} ({self.what}, since {self.since})"


def process_start(pid: int) -> float | None:
    """Return when a process began, in seconds since 1970; None when there is none (or a dead one)."""
    import psutil

    try:
        process = psutil.Process(pid)
        if process.status() in (psutil.STATUS_ZOMBIE, psutil.STATUS_DEAD):
            return None
        return float(process.create_time())
    except psutil.AccessDenied:
        return None if not psutil.pid_exists(pid) else 0.0
    except (psutil.Error, OSError, ValueError, OverflowError):
        return None


def _myself(what: str) -> Owner:
    pid = os.getpid()
    since = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    return Owner(pid, process_start(pid) or 0.0, socket.gethostname(), what, since)


class Lock:
    """A lock that is held; `release` (or leaving a `with`) gives it back. See `acquire`."""

    def __init__(self, path: Path, descriptor: int | None, owner: Owner, stale: Owner | None) -> None:
        self.path = path
        self.owner = owner
        self.stale = stale  # a dead owner that was found, for the record
        self._descriptor = descriptor
        self._held = True

    def release(self) -> None:
        """Give it back. May be called twice."""
        if not self._held:
            return
        self._held = False
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is None:
            if _read_owner(self.path) == self.owner:
                self.path.unlink(missing_ok=True)
            return
        if os.name != "nt":
            # Removed while it is held: whoever waits on this file sees that it is no longer the lock.
            with contextlib.suppress(OSError):
                self.path.unlink()
            os.close(descriptor)
            return
        with contextlib.suppress(OSError):
            _unlock_windows(descriptor)
        os.close(descriptor)
        with contextlib.suppress(OSError):
            self.path.unlink()

    def __enter__(self) -> "Lock":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def acquire(path: Path, purpose: str, subject: str = "", refusal: type[AmphoraError] = InputError) -> Lock:
    """Take a lock, or say who has it.

    Args:
        path: The lock file; its folder is made.
        purpose: What it is taken for, in words: told to whoever comes second.
        subject: What is locked, in words; default the path.
        refusal: Which error a second comer gets.

    Raises:
        refusal: somebody has it; one sentence that names the owner.
        InputError: the lock file cannot be made.
    """
    subject = subject or str(path)
    owner = _myself(purpose)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for _ in range(100):
            lock = _try_system(path, owner, subject, refusal)
            if lock is not None:
                return lock
            time.sleep(0.005)  # it was given back in this moment: again
    except OSError as error:
        raise InputError(f"{path}: cannot be made or written: {error.strerror or error}; no lock, no run") from error
    raise refusal(f"{subject}: others take and leave it all the time; try again")


def _try_system(path: Path, owner: Owner, subject: str, refusal: type[AmphoraError]) -> Lock | None:
    """Try once; None: the file was given back meanwhile, try again."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o600)
    keep = False
    try:
        try:
            _lock(descriptor)
        except OSError as error:
            if error.errno in NO_LOCKS:
                return _try_file(path, owner, subject, refusal)
            if error.errno not in TAKEN:
                raise
            raise refusal(_busy(subject, _read_owner_patiently(path))) from error
        try:
            if not os.path.samestat(os.fstat(descriptor), path.stat()):
                return None
        except FileNotFoundError:
            return None
        before = _read_owner(path)
        if before is not None and before.is_alive() is not False and before.pid != os.getpid():
            # Written by one whose file system had no locks, or by another computer.
            raise refusal(_busy(subject, before, path))
        text = json.dumps(asdict(owner)).encode("utf-8")
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, text)
        os.fsync(descriptor)
        keep = True
        return Lock(path, descriptor, owner, before)
    finally:
        if not keep:
            os.close(descriptor)


def _try_file(path: Path, owner: Owner, subject: str, refusal: type[AmphoraError]) -> Lock | None:
    """Take the lock by making the file whole in one act; for file systems without locks."""
    stale: Owner | None = None
    with contextlib.suppress(FileNotFoundError):
        if path.stat().st_size == 0:  # made by `os.open` above, by us or by another that comes here too
            path.unlink()
    beside = path.with_name(f"{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    try:
        with beside.open("x", encoding="utf-8") as file:
            file.write(json.dumps(asdict(owner)))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.link(beside, path)
        except FileExistsError:
            stale = _read_owner_patiently(path)
            if stale is None or stale.is_alive() is not False:
                raise refusal(_busy(subject, stale, path)) from None
            aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}.stale")
            try:
                path.rename(aside)
            except FileNotFoundError:
                return None
            found = _read_owner(aside)
            if found != stale:  # another was quicker and this is its lock: give it back
                with contextlib.suppress(FileExistsError):
                    os.link(aside, path)
                aside.unlink(missing_ok=True)
                return None
            aside.unlink(missing_ok=True)
            return None
    finally:
        beside.unlink(missing_ok=True)
    return Lock(path, None, owner, stale)


def _busy(subject: str, owner: Owner | None, path: Path | None = None) -> str:
    if owner is None:
        return f"{subject}: is in use by another process; wait for it to end"
    if owner.is_alive() is None:
        where = f" (delete {path} if that computer is off)" if path is not None else ""
        return f"{subject}: is in use by {owner}; whether it still runs cannot be seen from here{where}"
    return f"{subject}: is in use by {owner}; wait for it to end"


def _read_owner(path: Path) -> Owner | None:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return Owner(int(data["pid"]), float(data["started"]), str(data["host"]), str(data["what"]), str(data["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _read_owner_patiently(path: Path) -> Owner | None:
    """Read the owner; it may be writing its name just now."""
    for _ in range(20):
        owner = _read_owner(path)
        if owner is not None:
            return owner
        time.sleep(0.005)
    return None


def _lock(descriptor: int) -> None:
    if fcntl is not None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    elif msvcrt is not None:
        os.lseek(descriptor, WINDOWS_BYTE, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        raise OSError(errno.ENOSYS, "no file locks here")


def _unlock_windows(descriptor: int) -> None:
    if msvcrt is not None:
        os.lseek(descriptor, WINDOWS_BYTE, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_UNLCK, 1)


# -- what is locked -------------------------------------------------------------------------------


def acquire_folder(folder: Path, purpose: str = "a run") -> Lock:
    """Take the lock of a run folder; the folder need not be there yet.

    Raises:
        InputError: a run or a resume is at work in it.
    """
    return acquire(folder.with_name(f".{folder.name}.lock"), purpose, str(folder), InputError)


def folder_owner(folder: Path) -> Owner | None:
    """Return who wrote its name into the lock of a run folder last; None where nobody did. It may be dead."""
    return _read_owner(folder.with_name(f".{folder.name}.lock"))


class Locks:
    """Several locks that stand for one thing; given back together."""

    def __init__(self, locks: list[Lock]) -> None:
        self._locks = locks

    def release(self) -> None:
        """Give them back. May be called twice."""
        for lock in reversed(self._locks):
            lock.release()

    def __enter__(self) -> "Locks":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def acquire_channel(name: str, table: Mapping[str, Any], purpose: str = "a run") -> Locks:
    """Take the lock of one channel of an instrument, given its table of the bench file.

    Raises:
        BenchError: another run has it.
    """
    return acquire_keys(name, channel_keys(table), purpose)


def acquire_keys(name: str, keys: Sequence[str], purpose: str = "a run") -> Locks:
    """Take the locks of all keys that stand for one channel: all of them, or none.

    Args:
        name: The instrument, for who is refused.
        keys: See `channel_keys`, `identity_key`.
        purpose: What it is taken for.

    Raises:
        BenchError: another has one of them.
    """
    taken: list[Lock] = []
    try:
        for subject in sorted(set(keys)):
            readable = re.sub(r"[^A-Za-z0-9]+", "-", subject).strip("-")[:60]
            digest = hashlib.sha256(subject.encode("utf-8")).hexdigest()[:12]
            for folder in runtime_folders():
                path = folder / f"{readable}-{digest}.lock"
                taken.append(acquire(path, f"{purpose}, instrument {name}", f"{name} ({subject})", BenchError))
    except BaseException:
        Locks(taken).release()
        raise
    return Locks(taken)


def channel_text(table: Mapping[str, Any]) -> str:
    """Return one name for a channel, however its resource is spelled."""
    return channel_keys(table)[0]


def channel_keys(table: Mapping[str, Any]) -> tuple[str, ...]:
    """Return what a channel is locked by, however its resource is spelled: one key for each address of its host.

    A host's name is resolved, and an address of this computer itself is 127.0.0.1; a device file is followed to the
    device, and a number that stands for one (`ASRL3` for COM3) is kept.
    """
    resource = str(table.get("resource") or table.get("port") or "").strip()
    role = str(table.get("role", ""))
    if role in ("logger", "switch"):  # these two may share a port, each with its own lines
        match = re.fullmatch(r"socket://(.+):(\d+).*", resource, re.IGNORECASE)
        if match is not None:
            return tuple(f"socket://{host}:{match[2]} as {role}" for host in addresses(match[1]))
        if "://" not in resource and resource.startswith("/"):
            resource = os.path.realpath(resource)
        return (f"{resource} as {role}",)
    channel = f"channel {table.get('channel', 1)}"
    bare = re.sub(r"::INSTR$", "", resource, flags=re.IGNORECASE)
    visa = re.sub(r"^(TCPIP|USB|GPIB|ASRL)(?=::)", r"\g<1>0", bare.upper())
    match = re.fullmatch(r"ASRL(/.+)", bare, re.IGNORECASE)
    if match is not None:  # a path keeps its letters
        return (f"ASRL{os.path.realpath(match[1])} {channel}",)
    match = re.fullmatch(r"TCPIP\d*::(\[[^\]]*\]|[^:]+)(.*)", visa)
    if match is None:
        return (f"{visa} {channel}",)
    rest = "" if match[2] == "::INST0" else match[2]
    if rest.endswith("::SOCKET"):
        rest = re.sub(r"::0*(\d+)::SOCKET$", r"::\g<1>::SOCKET", rest)
    return tuple(f"TCPIP0::{host}{rest} {channel}" for host in addresses(match[1]))


def addresses(host: str) -> tuple[str, ...]:
    """Return the addresses that a host's name stands for, sorted; the name itself where it cannot be resolved."""
    bare = host.strip("[]").lower()
    try:
        found = {str(one[4][0]).split("%")[0] for one in socket.getaddrinfo(bare, None, proto=socket.IPPROTO_TCP)}
    except (OSError, UnicodeError):
        return (bare,)
    own = _own_addresses()
    return tuple(sorted({LOOPBACK if _is_loopback(one) or one in own else one for one in found})) or (bare,)


def _is_loopback(address: str) -> bool:
    try:
        read = ipaddress.ip_address(address)
    except ValueError:
        return False
    mapped = getattr(read, "ipv4_mapped", None)
    return read.is_loopback or read.is_unspecified or (mapped is not None and mapped.is_loopback)


def _own_addresses() -> set[str]:
    import psutil

    try:
        return {one.address.split("%")[0] for each in psutil.net_if_addrs().values() for one in each}
    except (OSError, psutil.Error):
        return set()


def identity_key(identity: str, channel: int = 1) -> str:
    """Return the second key of a channel: maker, model and serial number of `*IDN?`; "" where they name nobody.

    One instrument that is reached in two ways (its network and its USB socket) is still one. Makers who give every
    instrument the same number mostly give 0 or nothing: that is no key.
    """
    fields = [field.strip().upper() for field in identity.split(",")]
    if len(fields) < 3 or not fields[1] or len(set(fields[2])) < 2 or not any(one.isdigit() for one in fields[2]):
        return ""
    if set(re.sub(r"[^A-Z0-9]", "", fields[2])) <= set("0NAX"):
        return ""
    return f"IDENTITY {fields[0]},{fields[1]},{fields[2]} channel {channel}"


def runtime_folders() -> list[Path]:
    """Return the user's own folders for what the computer's next start may empty, in one order for everybody."""
    override = os.environ.get("AMPHORA_RUNTIME")
    if override:
        return [Path(override)]
    user = str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    everywhere = Path(tempfile.gettempdir()) / f"amphora-{user}"
    with contextlib.suppress(OSError):
        everywhere.mkdir(mode=0o700, exist_ok=True)
    base = os.environ.get("XDG_RUNTIME_DIR")
    if base and os.access(base, os.W_OK):
        return [everywhere, Path(base) / "amphora"]
    return [everywhere]
