"""Where the intended travel comes from: equal travel, a table, a file, or combustion readings.

In come what people typed or sent and, for the damper's travel, a result; out goes an intended curve with
its tolerance, and for readings the remarks that belong to them. The stoichiometry itself is in
``kinematics.intended``.
"""
