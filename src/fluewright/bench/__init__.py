"""The bench: model and what was heard, joined into a calibration and the next safe cut."""
