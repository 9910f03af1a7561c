"""Where the block is, how fast it moves, and how sure that is.

Imports sensors and what is below. Begin with the theory of operation in `estimator`, then
`position_filter` and `kinematic_filter`.
"""
