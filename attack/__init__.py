"""Attacks on the program: every module here registers parts, and ``attack/run.py`` runs them all."""
