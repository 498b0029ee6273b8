"""pyvisa loaded without numpy: it takes numpy along only to turn blocks of numbers into arrays, which we never ask for.

Each bay of a bench has a runner and a watchdog of its own, so that 14 MB in each of them is 14 MB twice a bay.
"""

import importlib
import sys
import threading
from typing import Any

_loading = threading.Lock()


def pyvisa() -> Any:
    """Return the package `pyvisa`, loaded without numpy where nobody has loaded numpy before."""
    loaded = sys.modules.get("pyvisa")
    if loaded is not None:
        return importlib.import_module("pyvisa")  # waits where another thread is loading it
    with _loading:
        if "numpy" in sys.modules or "pyvisa" in sys.modules:
            return importlib.import_module("pyvisa")
        sys.modules["numpy"] = None  # type: ignore[assignment]
        try:
            return importlib.import_module("pyvisa")
        finally:
            del sys.modules["numpy"]


__all__ = ["pyvisa"]
