"""Faults of a Sparkplug node: how it lives and what it says of itself. On a rig without one they do nothing."""

from typing import Final, Literal

from monitor.config.fields import Share
from simulators.faults.base import Fault, FaultTarget


class NodeFault(Fault):
    """A node dies, is born again, or counts and stores as it should not."""

    kind: Literal["sparkplug-node"] = "sparkplug-node"
    what: Literal["death", "device-death", "rebirth", "aliases-swapped", "alias-twice", "missing", "stored"]
    """Of the node, or of its devices; a birth with other aliases, with those of other metrics, or with one alias for two;
    messages that are lost on their way; readings that come afterwards, marked as historical."""
    share: Share = 0.2
    """Of messages that are lost, where `missing`."""

    def begin(self, target: FaultTarget) -> None:
        for node in target.nodes:
            if self.what == "death":
                node.die()
            elif self.what == "device-death":
                node.device_dies()
            elif self.what == "missing":
                node.lost_share = self.share
            elif self.what == "stored":
                node.storing = True
            else:
                node.be_born(1000, reverse=self.what == "aliases-swapped", twice=self.what == "alias-twice")

    def finish(self, target: FaultTarget) -> None:
        for node in target.nodes:
            if self.what in ("death", "alias-twice"):
                node.be_born(1)
            elif self.what == "device-death":
                node.device_returns()
            elif self.what == "missing":
                node.lost_share = 0.0
            elif self.what == "stored":
                node.send_stored()


NODE_FAULTS: Final = (NodeFault,)
"""All of them."""
