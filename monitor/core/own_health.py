"""The monitor's own health, as the runner tells the core of it in recorded frames."""

import json
import math
from typing import Any

from monitor.model.stream import Health
from monitor.text import printable


def read_health(payload: bytes) -> Health | None:
    """The health in the payload of a frame of the reserved topic; None where there is none in it."""
    try:
        fields: Any = json.loads(payload)
        health = Health(
            recording=fields["recording"],
            connected=fields["connected"],
            dropped=int(fields["dropped"]),
            lag_s=float(fields["lag_s"]),
            note=printable(str(fields["note"]), 120),
        )
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None
    sound = (
        health.recording in ("on", "off", "failed")
        and (health.connected is None or isinstance(health.connected, bool))
        and math.isfinite(health.lag_s)
    )
    return health if sound else None
