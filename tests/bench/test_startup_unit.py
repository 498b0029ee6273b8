"""Promises of the unit that switches a bench off when the computer starts."""

import configparser
import shlex
from pathlib import Path

from amphora.harness.bench.startup_unit import enabling_lines, startup_unit


def test_the_unit_switches_off_that_bench_and_tries_again() -> None:
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(startup_unit(Path("/home/b/my bench.toml")))
    words = shlex.split(parser["Service"]["ExecStart"])
    assert words[1:] == ["-P", "-m", "amphora.harness", "bench", "off", "--bench", "/home/b/my bench.toml"]
    assert Path(words[0]).is_absolute()
    assert parser["Service"]["Type"] == "oneshot" and parser["Service"]["Restart"] == "on-failure"
    assert parser["Install"]["WantedBy"] == "default.target"


def test_signs_that_systemd_reads_as_its_own_are_doubled() -> None:
    # Source: systemd.unit(5), specifiers (%), and systemd.service(5), command lines ($).
    text = startup_unit(Path('/a 100%/"$x".toml'))
    assert '"/a 100%%/\\"$$x\\".toml"' in text


def test_how_it_is_enabled_is_said_with_its_name() -> None:
    assert any("enable amphora-off.service" in line for line in enabling_lines(Path("x/amphora-off.service")))
