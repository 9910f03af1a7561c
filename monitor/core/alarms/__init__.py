"""Rules at work: conditions with their delays, and the life of an alarm after ANSI/ISA-18.2.

Imports model, config.rule and saved_state. Begin with the tables in `condition` and `lifecycle`, then `bank`;
`crew_actions` says what the crew can do.
"""
