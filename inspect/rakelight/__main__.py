"""`python -m rakelight` is `rakelight`."""

from .cli import main

main()
