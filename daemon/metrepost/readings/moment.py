"""Times as people and CloudEvents write them (RFC 3339), for events only: never per reading."""

from datetime import UTC, datetime


def rfc3339(seconds: float) -> str:
    """`seconds` since 1970 UTC as ``2026-01-31T08:15:00.123456Z`` (microseconds, always Z)."""
    return datetime.fromtimestamp(seconds, UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
