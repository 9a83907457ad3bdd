"""Rendered clips of invented burner linkages with known truth.

The sample clips and the tests both come from here. This package never imports ``vision`` or
``kinematics``: it makes the truth they are checked against, so it solves the linkage and projects the
camera by its own means.
"""
