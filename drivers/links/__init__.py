"""Wires: one VISA resource, where an answer belongs to the question before it."""
