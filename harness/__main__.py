"""`python -m harness` is `amphora`."""

from harness.cli.app import main

main()
