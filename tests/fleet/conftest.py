"""Recorded sessions that several tests read; made once."""

from tests.support.recorded_sessions import crown, crown_rec, trip, trip_rec

__all__ = ["crown", "crown_rec", "trip", "trip_rec"]
