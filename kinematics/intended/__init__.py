"""Where the intended travel comes from, as numbers.

In come a table, or combustion readings with the damper's travel; out goes the intended driven angle at each
driver angle with its standard deviation, and what must be said of the readings (`remarks`).
"""
