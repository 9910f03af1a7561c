"""Sparkplug B payloads as readings: what a node sends, and whether it lives.

Imports the decoder of one sensor, model and text; needs the optional package protobuf. Begin with `schema` (the messages),
then `metric` (one value).
"""
