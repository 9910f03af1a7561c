"""From truth to bytes: each sensor reads the plant and sends messages as the rig's file describes them.

Imports machine and the rig's file. Begin with `READ` in `channel`, then `Channel.sample`.
"""
