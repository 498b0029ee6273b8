"""Amphora: judges reused cells."""

__version__ = "0.1.0"
