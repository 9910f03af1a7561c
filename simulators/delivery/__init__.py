"""Simulated readings on a broker: publishing, pace of an accelerated run, the rig's process, an embedded broker.

Imports monitor's adapters and model, nothing of the simulated rig. Begin with `publish`, then `pace`.
"""
