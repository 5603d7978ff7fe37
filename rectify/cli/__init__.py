"""The commands: a thin door in front of the Python interface."""

from rectify.cli.main import main

__all__ = ["main"]
