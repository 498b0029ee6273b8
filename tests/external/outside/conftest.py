"""These checks need an outside simulator (the extra `outside`) and measured curves that `make outside` unpacks.

Without them there is nothing to collect.
"""

import sys
from importlib.util import find_spec
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from outside_data import CURVES

collect_ignore_glob = [
    *([] if find_spec("pybamm") else ["test_outside_*.py"]),
    *([] if CURVES.is_dir() else ["test_pouch_cell_*.py"]),
]
