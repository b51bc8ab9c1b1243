"""How often each of many may do something, and what is remembered of them in little memory."""

import time

__all__ = ["Rates"]


class Rates:
    """A share a second for each, of which a burst may be saved up; what is refused costs nothing.

    Parameters
    ----------
    a_second, burst : float
    most : int
        How many are remembered: past it the one that asked longest ago is forgotten.
    """

    def __init__(self, a_second: float, burst: float, *, most: int = 1000) -> None:
        self.a_second, self.burst, self.most = a_second, burst, most
        self._left: dict[str, tuple[float, float]] = {}

    def __len__(self) -> int:
        return len(self._left)

    def may(self, who: str) -> bool:
        """Tell whether one may do it now, and count it if so."""
        now = time.monotonic()
        left, at = self._left.pop(who, (self.burst, now))
        left = min(self.burst, left + (now - at) * self.a_second)
        while len(self._left) >= self.most:
            del self._left[next(iter(self._left))]
        may = left >= 1.0
        self._left[who] = (left - 1.0 if may else left, now)
        return may
