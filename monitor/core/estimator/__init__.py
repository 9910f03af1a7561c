"""Where the block is, how fast it moves, and how sure that is.

Imports sensors and what is below. Begin with the theory of operation in `estimator`, then
`position_filter` (which readings are believed; `way` and `layer_piece` are parts of its state) and `kinematic_filter`.
"""
