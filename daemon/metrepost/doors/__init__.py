"""Doors: how people's acts come in from outside. Opened only by the line file, each act with who did it; none can touch a device."""
