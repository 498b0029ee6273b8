"""Where `make outside` unpacks the measured curves: beside the packages of the environment, never imported."""

import sys
from pathlib import Path

CURVES = Path(sys.prefix) / "outside-data" / "pybamm" / "input" / "discharge_data"
