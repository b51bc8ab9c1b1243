"""The sizes of an instrument in plain words, for people who do not read model files."""

import re

__all__ = ["size_words"]


def size_words(key: str) -> str:
    """Return a size's key in plain words: ``holes.3.diameter_mm`` is "hole 3 diameter"."""
    parts = re.sub(r"_(mm|deg|pa|hz|cents|c)(?=\.|$)", "", key).split(".")
    if parts[0] == "holes":
        return f"hole {parts[1]} {' '.join(parts[2:])}".replace("_", " ")
    if parts[0] == "bore":
        kind = "bore" if parts[1].startswith("stations") else "outside"
        return f"{kind} {parts[2]} {parts[3].replace('x', 'place')}"
    return " ".join(parts[1:] if parts[0] == "head" else parts).replace("_", " ")
