"""`python -m capture.commands` is `tidewire`."""

from capture.commands import main

main()
