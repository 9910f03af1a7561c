"""Several rigs watched at once: a process for each with its own core, recorder and ledger, and one overview of all.

    broker ──→ rig's process: core, recorder, ledger ──┐ rows, findings, figures, log: lines of JSON
    broker ──→ rig's process: core, recorder, ledger ──┼──→ supervisor ──→ overview, findings, metrics
    …                                                  ┘ actions, the word to end

A process that ends, or says nothing, is started again, later each time; no other rig takes notice. Begin with `supervisor`,
then `process` (the rig's end), `wire` and `row` (what goes between), and `overview` (what people see); `browsers` and `viewer`
are the same in a browser.
"""
