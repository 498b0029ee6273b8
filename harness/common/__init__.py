"""What every room may use: errors, words, locks, quantities. Knows nothing of cells or benches."""
