"""What the hoist does (its state), where it would come to rest (the stop mark), and the work of the drilling line.

Imports estimator, sensors and what is below, not brakes. Begin with `stopping`.
"""
