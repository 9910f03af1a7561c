"""From bytes to readings: decoding, and the health record of each sensor.

Imports model, config.rig and physics. Begin with `decoder` (payload to reading or reject),
then `register` (what is known of each sensor).
"""
