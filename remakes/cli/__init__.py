"""The command line."""

from remakes.cli.commands import app, main

__all__ = ["app", "main"]
