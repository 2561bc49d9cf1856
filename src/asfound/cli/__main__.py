"""`python -m asfound.cli`."""

from asfound.cli.app import main

main()
