import errno
import json
import multiprocessing
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

import amphora.harness.common.locks as lock_module
from amphora.harness.common.errors import BenchError, InputError
from amphora.harness.common.locks import (
    acquire,
    acquire_channel,
    acquire_folder,
    channel_text,
    process_start,
    runtime_folders,
)

ROOT = str(Path(lock_module.__file__).resolve().parent.parent)
HOLDER = """
import sys, time
sys.path.insert(0, {root!r})
from pathlib import Path
from amphora.harness.common.locks import acquire
import amphora.harness.common.locks
if {without!r}:
    import errno
    def refuse(descriptor):
        raise OSError(errno.ENOLCK, "no locks here")
    amphora.harness.common.locks._lock = refuse
lock = acquire(Path({path!r}), "a run of L3-a")
print("held", flush=True)
time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path):
    """Another process that holds the lock."""
    started = []

    def start(path, without=False):
        process = subprocess.Popen(
            [sys.executable, "-c", HOLDER.format(root=ROOT, path=str(path), without=without)], stdout=subprocess.PIPE
        )
        started.append(process)
        assert process.stdout.readline().strip() == b"held"
        return process

    yield start
    for process in started:
        process.kill()
        process.wait()
        process.stdout.close()


@pytest.fixture(params=["system", "file"])
def way(request, monkeypatch):
    """Both ways: locks of the system, and a file system that has none."""
    if request.param == "file":

        def refuse(descriptor):
            raise OSError(errno.ENOLCK, "no locks here")

        monkeypatch.setattr(lock_module, "_lock", refuse)
    return request.param


def test_a_second_comer_is_refused_and_told_who_has_it(tmp_path, holder, way):
    path = tmp_path / "x.lock"
    process = holder(path, without=way == "file")
    with pytest.raises(InputError) as caught:
        acquire(path, "another run", "run X")
    text = str(caught.value)
    assert text.startswith("run X: is in use by ") and f"process {process.pid}" in text and "a run of L3-a" in text


def test_a_lock_whose_owner_was_killed_is_free_at_once(tmp_path, holder, way):
    path = tmp_path / "x.lock"
    process = holder(path, without=way == "file")
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    with acquire(path, "another run") as lock:
        assert lock.owner.pid == os.getpid()
    assert not path.exists()


def test_a_dead_owner_that_nobody_waited_for_is_dead(tmp_path, holder, way):
    path = tmp_path / "x.lock"
    process = holder(path, without=way == "file")
    os.kill(process.pid, signal.SIGKILL)  # not waited for: a zombie keeps its number
    until = time.monotonic() + 60
    while process_start(process.pid) is not None and time.monotonic() < until:
        time.sleep(0.01)
    acquire(path, "another run").release()


def test_a_number_that_was_given_again_to_another_process_is_stale(tmp_path, way):
    path = tmp_path / "x.lock"
    owner = {"pid": os.getppid(), "started": 1.0, "host": socket.gethostname(), "what": "old", "since": "then"}
    path.write_text(json.dumps(owner), encoding="utf-8")
    with acquire(path, "a run") as lock:
        if way == "system":
            assert lock.stale is not None and lock.stale.what == "old"


def test_an_owner_on_another_computer_is_believed(tmp_path, way):
    path = tmp_path / "x.lock"
    owner = {"pid": 1, "started": 1.0, "host": "bench-pc", "what": "a run", "since": "then"}
    path.write_text(json.dumps(owner), encoding="utf-8")
    with pytest.raises(InputError, match=r"bench-pc.*delete"):
        acquire(path, "a run")
    assert path.exists()


def test_a_living_owner_that_could_not_lock_is_believed(tmp_path, holder):
    path = tmp_path / "x.lock"
    holder(path, without=True)
    with pytest.raises(InputError, match="is in use by process"):
        acquire(path, "another run")


def test_the_same_program_cannot_take_it_twice(tmp_path, way):
    path = tmp_path / "x.lock"
    with acquire(path, "first"), pytest.raises(InputError, match="this program itself"):
        acquire(path, "second")
    acquire(path, "third").release()


def test_giving_back_twice_takes_nothing_from_the_next(tmp_path, way):
    path = tmp_path / "x.lock"
    first = acquire(path, "first")
    first.release()
    second = acquire(path, "second")
    first.release()
    with pytest.raises(InputError):
        acquire(path, "third")
    second.release()


def test_rubbish_in_a_lock_file_is_nobody(tmp_path):
    path = tmp_path / "x.lock"
    path.write_bytes(b"\x00\xff{")
    acquire(path, "a run").release()


def test_a_folder_that_cannot_be_written_is_said_plainly(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="no lock, no run"):
        acquire(tmp_path / "file" / "x.lock", "a run")


def rush(path, results, without, start_s):
    if without:

        def refuse(descriptor):
            raise OSError(errno.ENOLCK, "no locks here")

        lock_module._lock = refuse
    time.sleep(max(0.0, start_s - time.time()))
    taken = 0
    for _ in range(30):
        try:
            with acquire(path, "rush"):
                inside = path.with_suffix(".inside")
                os.close(os.open(inside, os.O_CREAT | os.O_EXCL))  # raises when two are inside
                taken += 1
                inside.unlink()
        except InputError:
            time.sleep(0.001)
    results.put(taken)


@pytest.mark.parametrize("without", [False, True], ids=["system", "file"])
def test_of_many_that_rush_only_one_is_inside_at_a_time(tmp_path, without):
    context = multiprocessing.get_context("spawn" if sys.platform == "win32" else "fork")
    results = context.Queue()
    start_s = time.time() + 0.3
    processes = [context.Process(target=rush, args=(tmp_path / "x.lock", results, without, start_s)) for _ in range(4)]
    for process in processes:
        process.start()
    counts = [results.get(timeout=120) for _ in processes]
    for process in processes:
        process.join()
        assert process.exitcode == 0
    assert sum(counts) > 0
    assert not (tmp_path / "x.inside").exists()


def test_a_folders_lock_lies_beside_it_and_makes_no_folder(tmp_path):
    folder = tmp_path / "L3-a" / "20260101T210000Z-overnight"
    with acquire_folder(folder):
        assert not folder.exists()
        with pytest.raises(InputError, match="overnight: is in use"):
            acquire_folder(folder)
    assert list(folder.parent.iterdir()) == []


def test_two_runs_on_one_channel_are_refused_and_other_channels_are_free(tmp_path, monkeypatch):
    monkeypatch.setenv("AMPHORA_RUNTIME", str(tmp_path))
    table = {"role": "load", "resource": "TCPIP::192.0.2.5::5025::SOCKET", "channel": 1}
    with acquire_channel("load", table):
        with pytest.raises(BenchError, match=r"load .*channel 1.* in use"):
            acquire_channel("load", {**table, "resource": "tcpip0::192.0.2.5::5025::socket"})
        acquire_channel("load", {**table, "channel": 2}).release()
        acquire_channel("load", {**table, "resource": "TCPIP::192.0.2.6::5025::SOCKET"}).release()


def test_one_resource_has_one_name_however_it_is_spelled(tmp_path):
    real = tmp_path / "port"
    real.write_text("")
    link = tmp_path / "by-name"
    link.symlink_to(real)
    assert channel_text({"resource": "USB::1::2::SN::INSTR"}) == channel_text({"resource": "usb0::1::2::sn"})
    assert channel_text({"role": "logger", "port": str(link)}) == channel_text({"role": "logger", "port": str(real)})
    assert channel_text({"resource": f"ASRL{link}::INSTR"}) == channel_text({"resource": f"ASRL{real}::INSTR"})
    assert channel_text({"role": "logger", "port": "/dev/x"}) != channel_text({"role": "switch", "port": "/dev/x"})


def test_the_runtime_folders_are_the_users_own(tmp_path, monkeypatch):
    monkeypatch.delenv("AMPHORA_RUNTIME", raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    first, second = runtime_folders()
    assert second == tmp_path / "amphora" and first.parent == tmp_path and first.stat().st_mode & 0o077 == 0
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "gone"))
    assert runtime_folders() == [first]


@pytest.mark.parametrize("emptied", [None, 0, 1])
def test_a_session_of_another_kind_finds_the_lock_and_so_does_one_after_a_folder_was_emptied(
    tmp_path, monkeypatch, emptied
):
    monkeypatch.delenv("AMPHORA_RUNTIME", raising=False)
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "all"))
    (tmp_path / "all").mkdir()
    (tmp_path / "session").mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "session"))  # at a desktop, by ssh
    table = {"role": "load", "resource": "TCPIP::192.0.2.5::5025::SOCKET", "channel": 1}
    with acquire_channel("load", table):
        if emptied is None:
            monkeypatch.delenv("XDG_RUNTIME_DIR")  # by a timer, by su
        else:
            shutil.rmtree(runtime_folders()[emptied])
        with pytest.raises(BenchError, match=r"load .*channel 1.* in use"):
            acquire_channel("load", table)
    acquire_channel("load", table).release()  # what was refused has left nothing behind
