"""Endpoints: one protocol each, read-only; the only home of the pymodbus and asyncua clients and of the paho client that listens."""
