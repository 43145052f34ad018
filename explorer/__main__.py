"""`python -m explorer` is the same as `setup-space`."""

from explorer.cli import main

main()
