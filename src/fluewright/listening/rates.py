"""Which sample rates a sound may have."""

from fluewright.errors import RecordingError

__all__ = ["HIGHEST_RATE_HZ", "LOWEST_RATE_HZ", "checked_rate"]


LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 768_000


def checked_rate(rate_hz: float) -> float:
    """Return a sample rate that sound can have.

    Raises
    ------
    RecordingError
        It is under 8 kHz or over 768 kHz.
    """
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"rate_hz is {rate_hz:g}; give {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} samples a second, usually 48000."
        )
    return float(rate_hz)
