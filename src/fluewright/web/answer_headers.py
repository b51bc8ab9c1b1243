"""What every answer tells the browser, refusals too: what a page may load, and that nothing personal is kept."""

__all__ = ["answer_headers"]

_FIXED = {
    b"content-security-policy": (
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; "
        b"font-src 'self'; connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; "
        b"base-uri 'none'; frame-ancestors 'none'"
    ),
    b"x-content-type-options": b"nosniff",
    b"referrer-policy": b"no-referrer",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"permissions-policy": b"microphone=(self), camera=(), geolocation=()",
}
# The pages' own scripts and looks are the same for everybody: they may be kept, and are asked about each time.
_STATIC = {**_FIXED, b"cache-control": b"no-cache"}
_PERSONAL = {**_FIXED, b"cache-control": b"no-store"}


def answer_headers(path: str) -> dict[bytes, bytes]:
    """Return the headers of the answer to a path."""
    return _STATIC if path.startswith("/static/") else _PERSONAL
