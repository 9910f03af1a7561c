"""Guided checks: the overtravel device's test, the brakes' tests, the height at a known point.

Imports signals and what is below. Begin with `procedure` (what a check is), then `guided_checks` (which ones there are).
"""
