"""Alarms of IEC 62682 / ISA-18.2: the state table, the book that walks it, and the load figures. Pure."""

from .explains import UnknownCauseError
from .load import AlarmLoad, ClassLoad, LoadMeter, LoadSettings
from .machine import MAX_SHELVED, AlarmBook, Refused, Restored, Told, UnknownAlarmError
from .record import AlarmPlan

__all__ = [
    "MAX_SHELVED",
    "AlarmBook",
    "AlarmLoad",
    "AlarmPlan",
    "ClassLoad",
    "LoadMeter",
    "LoadSettings",
    "Refused",
    "Restored",
    "Told",
    "UnknownAlarmError",
    "UnknownCauseError",
]
