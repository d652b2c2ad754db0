"""The command line: it parses, calls and prints."""

from __future__ import annotations

from oaktag.cli.app import main

__all__ = ["main"]
