"""Where the tests' app is asked for."""

BASE = "http://127.0.0.1:8123"
LIVE = "ws://127.0.0.1:8123/live/D5-0001"
