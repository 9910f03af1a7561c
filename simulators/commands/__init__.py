"""The commands that the simulators add to `stopmark`, one module each, imported only when its command is used.

Imports all of simulators and of monitor; nothing imports it but the entry point. Begin with `demo`, then `simulate`.
"""

from typing import Final

from monitor.commands import Command

COMMANDS: Final = (
    Command("demo", "see it work: a simulated rig, a broker and the monitor", "simulators.commands.demo"),
    Command("simulate", "a simulated rig, to a broker or into a session", "simulators.commands.simulate"),
    Command("scenarios", "list what can happen on the simulated rig", "simulators.commands.scenarios"),
    Command("trial", "try the monitor on many random runs and score it", "simulators.commands.trial"),
)
