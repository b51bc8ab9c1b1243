"""Voicing at the bench: a head's trial, what is wrong with it, why, what to do, and what the shop has learned."""
