"""From bytes to readings: decoding, and the health record of each sensor.

Imports model, config and text. Begin with `decoder` (message to readings or rejects; `sensor_decoder` does it for one sensor,
`payload` has the fields), then
`record` (one sensor) and `register` (all of them).
"""
