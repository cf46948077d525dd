"""`python -m packwarden` is the command `packwarden`."""

from packwarden.cli import main

main()
