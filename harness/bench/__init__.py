"""One set-up of instruments, described and opened; it orders nothing. Start with `bench_file`, then `opened`."""
