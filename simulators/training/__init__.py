"""Training: a trainee works the simulated rig's levers in short situations under the real monitor's screen.

Imports scenario, crew, machine, trial (the question what a full brake would have done) and the monitor's screen. Begin with
`situations`, then `lesson` (plant, monitor and hand of one situation), `review` and `screen`.
"""
