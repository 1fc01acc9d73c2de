"""Quality of a reading: good, uncertain or bad, in the words of OPC UA (OPC 10000-4, StatusCode severity)."""

from enum import IntEnum


class Quality(IntEnum):
    """How far a value can be trusted. Higher is worse, so the worst of several is their maximum."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2

    @property
    def word(self) -> str:
        """The lower-case word used on the wire: ``good``, ``uncertain``, ``bad``."""
        return self.name.lower()

    @classmethod
    def from_word(cls, word: str) -> "Quality":
        """Raise ``KeyError`` when `word` is none of good, uncertain, bad (any case)."""
        return cls[word.upper()]


GOOD = Quality.GOOD
UNCERTAIN = Quality.UNCERTAIN
BAD = Quality.BAD


def worst(first: Quality, second: Quality) -> Quality:
    """The worse of two qualities: what a value made of both deserves."""
    return first if first >= second else second
