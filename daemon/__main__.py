"""`python -m daemon` is the same as `brinelark`."""

from daemon.commands import main

main()
