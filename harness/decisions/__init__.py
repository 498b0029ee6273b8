"""From results to what to do with a cell: grades, comparison, sets, duties."""
