"""No deadline for the property tests: on a shared machine a single slow example is no failure of the physics."""

from hypothesis import settings

settings.register_profile("physics", deadline=None)
settings.load_profile("physics")
