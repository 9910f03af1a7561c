"""Readings of recorded frames in their order, without the rest of the core: for exports and analyses.

What a Sparkplug node's data mean depends on what came before them: its births, the beginning of a run, and whether the
connection was away. The last two are told by frames of the monitor's own.
"""

from collections.abc import Mapping
from typing import Any

from monitor.config.rig import Rig
from monitor.core.own_health import read_health
from monitor.core.sensors.decoder import Decoder
from monitor.core.sensors.sensor_decoder import Decoded
from monitor.model.stream import CARRIED_TOPIC, HEALTH_TOPIC, Frame


class RecordedDecoder:
    """Feed it every frame of a session, or those that came after a checkpoint."""

    def __init__(self, rig: Rig, state: Mapping[str, Any] | None = None) -> None:
        """`state` is the core's at the checkpoint (`Core.state`); None at the beginning of a run."""
        self._rig = rig
        self._decoder = Decoder(rig)
        if state is not None:
            self._decoder.restore(state)

    def decode(self, frame: Frame) -> Decoded:
        """The readings and rejects of one frame; none of the monitor's own."""
        if frame.topic == CARRIED_TOPIC:
            self._decoder = Decoder(self._rig)
        elif frame.topic == HEALTH_TOPIC:
            health = read_health(frame.payload)
            if health is not None:
                self._decoder.connection(health.connected)
        else:
            return self._decoder.decode(frame)
        return []
