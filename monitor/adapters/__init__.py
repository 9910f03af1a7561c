"""What touches the world outside: the broker, session files, the rig's ledger, tables and the host system.

Imports config, model, core's decoder and what stands below them; neither the runtime nor the engine. Inside, tables and
ledger stand on sessions and mqtt, and all of them on host. Begin with `mqtt.source` (in) and `sessions.recorder` (out).
"""
