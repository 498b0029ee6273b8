"""Instruments: links, dialects, loggers, and a simulated bench. Knows nothing of cells."""
