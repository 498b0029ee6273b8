"""A bench made of physics: a cell, instruments, faults; in-process on a virtual clock or as servers."""
