"""Recorded sessions that several tests read; made once."""

from tests.support.recorded_sessions import trip, trip_rec

__all__ = ["trip", "trip_rec"]
