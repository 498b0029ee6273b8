"""Instruments of foreign make, for tests: real processes that share no code with `drivers` or its simulated bench.

`serve` is the process, `asking` starts one from a test, asks it for the truth and sets faults. The tables of commands
beside them (`*.toml`) are written as a person would, from docs/dialects.md.
"""
