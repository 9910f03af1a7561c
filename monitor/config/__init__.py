"""What a site writes: a rig's file and the rule catalogue, from TOML to frozen models, each problem with its place.

Imports model, physics and what is below. Begin with `rig` (the model, and where its tables are) and `rule`, then `rig_file` and
`rules_file` (how they are read).
"""
