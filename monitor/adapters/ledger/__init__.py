"""The rig's ledger: one small file per rig that outlives sessions, with line work, references and alarms of every run.

Imports `sessions`, `host` and the model's types. Begin with `ledger` (the file), then `entries` (what is written) and `writer`.
"""
