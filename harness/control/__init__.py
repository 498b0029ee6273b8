"""What is decided during a run: pure folds over records. Start with `stepping` and `guard`."""
