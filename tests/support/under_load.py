"""Run a command beside busy neighbours, which end with it: `python tests/support/under_load.py make test`."""

import multiprocessing
import os
import subprocess
import sys
import time

NEIGHBOURS = 4


def busy(parent: int) -> None:
    """Keep one processor busy until whoever started this is gone."""
    while os.getppid() == parent:
        sum(range(1_000_000))


def main(command: list[str]) -> int:
    """Return the command's exit code; say how long it took."""
    neighbours = [
        multiprocessing.Process(target=busy, args=(os.getpid(),), daemon=True)  # ends with this process
        for _ in range(NEIGHBOURS)
    ]
    for one in neighbours:
        one.start()
    began_s = time.monotonic()
    try:
        return subprocess.run(command, check=False).returncode
    finally:
        print(f"beside {NEIGHBOURS} busy loops: {time.monotonic() - began_s:.0f} s", flush=True)
        for one in neighbours:
            one.terminate()
            one.join()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
