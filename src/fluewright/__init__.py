"""fluewright: design, make, tune and judge duct flutes with computed acoustics."""

__version__ = "0.1.0"
