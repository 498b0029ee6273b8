"""From a run folder to an answer. Start with `analyse`."""
