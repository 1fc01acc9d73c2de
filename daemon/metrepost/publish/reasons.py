"""Reason codes of a PUBACK that matter here (MQTT 5.0, table 3-4 in section 3.4.2.1)."""

NO_MATCHING_SUBSCRIBERS = 0x10
FAILURE = 0x80
"""Codes from here on are errors."""
OF_THE_MESSAGE = frozenset({0x90, 0x99})
"""Topic name invalid, payload format invalid: trying again cannot help."""

_WORDS = {
    0x80: "unspecified error",
    0x83: "implementation specific error",
    0x87: "not authorized",
    0x90: "topic name invalid",
    0x91: "packet identifier in use",
    0x97: "quota exceeded",
    0x99: "payload format invalid",
}


def word(code: int) -> str:
    """The name of a code, with the code."""
    return f"{_WORDS.get(code, 'an unknown reason')} (0x{code:02X})"
