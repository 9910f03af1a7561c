"""From bytes to readings: decoding, and the health record of each sensor.

Imports model, config and text. Begin with `decoder` (message to readings or rejects; `payload` has its fields), then
`record` (one sensor) and `register` (all of them).
"""
