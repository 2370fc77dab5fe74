"""``python -m innage``."""

from innage.cli import main

main()
