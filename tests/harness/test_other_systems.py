"""Systems without fcntl, termios, pty and the like: everything can at least be imported and the program tells its help.

Simulated here: the modules that such a system lacks are hidden, and so is what `os` and `signal` lack there.
Not tried on such a system itself.
"""

import subprocess
import sys

HIDDEN = ("fcntl", "termios", "pty", "tty", "resource", "grp", "pwd", "posix")
GONE = {
    "os": ("openpty", "fork", "forkpty", "getuid", "geteuid", "getpgid", "killpg", "setsid", "ttyname", "uname"),
    "signal": ("SIGHUP", "SIGUSR1", "SIGUSR2", "SIGALRM", "SIGKILL", "SIGSTOP", "pthread_sigmask", "setitimer"),
}
PROGRAM = """
import importlib, pkgutil, sys, os, signal, subprocess, tempfile, asyncio, typing, pathlib, random, socket, ssl
import serial, typer, rich.console, rich.live, rich.table, numpy, pyvisa, matplotlib
import scipy.optimize, scipy.signal, pandas, cryptography, psutil
hidden, gone = {hidden!r}, {gone!r}

class Hide:
    def find_spec(self, name, path=None, target=None):
        if name in hidden:
            raise ModuleNotFoundError(f"No module named {{name!r}}", name=name)

for name in hidden:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Hide())
for module, names in gone.items():
    for name in names:
        if hasattr(sys.modules[module], name):
            delattr(sys.modules[module], name)
count = 0
for package in ("amphora.drivers", "amphora.harness"):
    room = importlib.import_module(package)
    for found in pkgutil.walk_packages(room.__path__, package + "."):
        if not found.name.endswith("__main__"):
            importlib.import_module(found.name)
            count += 1
assert not set(hidden) & set(sys.modules), set(hidden) & set(sys.modules)
print(count)
from amphora.harness.cli.app import app
{then}
"""


def on_another_system(then: str) -> str:
    done = subprocess.run(
        [sys.executable, "-W", "error::SyntaxWarning", "-c", PROGRAM.format(hidden=HIDDEN, gone=GONE, then=then)],
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    return done.stdout


def test_every_module_can_be_imported_and_a_night_on_the_simulated_bench_runs(tmp_path: object) -> None:
    shelf = f"{str(tmp_path)!r}"
    then = (
        f"app(['cell','add','L3-a','--form','18650','--chemistry','li-ion','--as-found','4.18 V','--logs',{shelf}],"
        "standalone_mode=False)\n"
        f"app(['run','--cell','L3-a','--profile','overnight','--bench','simulated','--logs',{shelf},"
        "'--start','declared-full','--current','0.4 A','--json'],standalone_mode=False)\n"
    )
    told = on_another_system(then)  # one process for both: half a minute of a slow machine goes into the imports
    assert int(told.split()[0]) > 80
    assert '"stop": "cutoff"' in told
