"""Simulated things that tests alone use: further wires to a simulated instrument."""
