"""Where a sensor's readings are found among those of a Sparkplug node: the table ``sparkplug`` of a sensor in a rig's file."""

from typing import Annotated, Final

from pydantic import Field, ValidationInfo, field_validator

from monitor.config.fields import Model, matching
from monitor.model.sparkplug import NumericType

_LEVEL: Final = r"[^/+#\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]"
_Id = Annotated[str, matching(_LEVEL + "{1,120}", "must be one level of a topic: no /, + or #, 120 characters at most")]
_Metric = Annotated[
    str,
    matching(
        r"[^\x00-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]{1,400}", "must be a metric's name, 400 characters at most"
    ),
]


class SparkplugMetric(Model):
    """One metric of a node or of one of its devices."""

    group: _Id
    node: _Id
    device: Annotated[str, matching(_LEVEL + "{0,120}", "must be one level of a topic: no /, + or #")] = ""
    """Empty: a metric of the node itself."""
    metric: _Metric
    type: NumericType | None = None
    birth: Annotated[str, matching(r"[0-9a-f]{16}", "must be the hash of a birth, 16 digits 0-9 and a-f")] | None = None
    """Hash of the birth from which `alias` and `type` were taken, as ``stopmark check`` prints it."""
    alias: Annotated[int, Field(ge=0, lt=1 << 64)] | None = None
    """Alias of the metric, for a monitor that begins to listen after the birth: births are sent once, and it asks for none."""

    @property
    def address(self) -> tuple[str, str, str, str]:
        """Group, node, device and name."""
        return self.group, self.node, self.device, self.metric

    @field_validator("alias")
    @classmethod
    def _has_origin(cls, alias: int | None, info: ValidationInfo) -> int | None:
        if alias is not None and (info.data.get("type") is None or info.data.get("birth") is None):
            raise ValueError(
                "an alias needs the type of its metric and the hash of the birth that it comes from (type, birth)"
            )
        return alias
