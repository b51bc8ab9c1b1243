"""What the pages call the fields that messages speak of."""

from fluewright.instrument.sizes import is_named, size_words

__all__ = ["field_words"]

_LABELS = {
    "a4_hz": "A4", "after_mm": "Size after the cut", "before_mm": "Size before the cut", "breath_pa": "Breath",
    "checked": "Excluded", "event": "Event", "model": "Model", "name": "Name", "reason": "Reason", "sizes": "Sizes",
    "state": "State", "step": "Step", "steps": "Usual steps", "temperature_c": "Temperature", "tool": "Tool",
}  # fmt: skip


def field_words(field: str) -> str:
    """Return a field's label on the pages; a size in plain words."""
    if is_named(field):
        words = size_words(field)
        return words[:1].upper() + words[1:]
    return _LABELS.get(field, field.replace("_", " "))
