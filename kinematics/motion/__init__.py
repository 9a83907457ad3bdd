"""Measured angles in, travel curves out.

In come angles of two shafts and what is known of their errors (`angles`, `noise`); out go holds and passes
(`stroke`), many strokes folded into one (`folding`), the lost motion of any linkage (`deadband`), and
travel curves with standard deviations (`travel`), also of two films as one (`compose`).
"""
