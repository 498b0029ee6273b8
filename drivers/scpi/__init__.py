"""Instruments that speak SCPI or something like it, driven by a command table (a dialect)."""
