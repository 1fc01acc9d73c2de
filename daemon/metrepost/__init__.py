"""Metrepost: data acquisition and alarm rules by the metre, for foam-core extrusion lines.

Monitoring and advisory only. It is no safety function and it never writes to a device.
"""

__version__ = "0.1.0"
