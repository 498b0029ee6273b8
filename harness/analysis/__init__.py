"""Pure functions on arrays: from a record to figures. No files, clock, logging or drivers."""
