"""These checks need an outside simulator (the optional extra `outside`); without it there is nothing to collect."""

from importlib.util import find_spec

collect_ignore_glob = [] if find_spec("pybamm") else ["test_*.py"]
