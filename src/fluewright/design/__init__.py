"""Inverse design: sizes that bring every note of both registers to its target."""
