"""`python -m harness` is `amphora`."""

from amphora.harness.cli.app import main

main()
