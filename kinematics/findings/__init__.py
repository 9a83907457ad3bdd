"""Figures in, findings out: one statement each, as data, with its figure and its limit.

In comes the condition of a linkage (`statements`); out go findings in the order of their severity
(`findings`). The rules stand together by what they are about: geometry, motion, arms. What a
sentence needs beyond the figure is among `facts`; no sentence is made here.
"""
