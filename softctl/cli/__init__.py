"""The `softctl` command."""

from softctl.cli.app import main

__all__ = ["main"]
