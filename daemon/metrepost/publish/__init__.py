"""MQTT out, and what IT reads: envelopes, topics, schemas. `connection.py` is the only home of paho.

Importing this package starts nothing; `cloudevents`, `topics`, `payloads`, `change_filter` and `window` are pure.
"""
