"""From anybody's table to a run folder. Start with `import_run`."""
