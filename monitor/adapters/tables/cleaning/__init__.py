"""What in a column of a field log is a reading: bad stretches are found by kind, looking ahead, and cost only themselves.

Begin with `column`, which takes the cells of one column in order and settles each as a reading or as dropped, with the reason.
"""
