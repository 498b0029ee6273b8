"""The account of a cell: what went in, what came out, at which voltage it was left and found, and what follows.

A run is judged by what it shows; a cell by its account. `fold.fold(cell, entries)` is pure; `entries` reads what the
folders and `cell.json` say. Read `standing` (the types), `fold`, `gate` first. It leaves to others: the figures of a
run (`results`), what a plan does (`planner`), who asks on the command line (`cli`).
"""
