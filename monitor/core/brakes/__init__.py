"""What the brakes can do, and what the readings say they did: effectiveness, circuits,
accumulator, auxiliary brake, discs, creep.

Imports estimator, sensors and what is below, not hoist. Begin with `health`, which runs one watch after the other.
"""
