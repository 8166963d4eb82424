"""The command line: every page's content, as text or as JSON."""

from endfeel.cli.main import main

__all__ = ["main"]
