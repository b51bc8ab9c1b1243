"""The command line: thin verbs over the packages; heavy imports happen inside the verb that needs them."""

from fluewright.cli.entry import app, main

__all__ = ["app", "main"]
