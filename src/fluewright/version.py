"""Which version of the program this is; records of the ledger and kept files carry it."""

__all__ = ["__version__"]

__version__ = "0.1.0"
