"""What is known of a cell before anything is measured. Start with `chemistry`."""
