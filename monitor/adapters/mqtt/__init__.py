"""Readings from an MQTT broker: bytes of a connection in, frames with their time of arrival out. Nothing is published.

Imports `host`, the stream's types and errors. Begin with `source`, then follow a message: `connection`, `packets`, `inbox`.
"""
