"""Figures in, findings out: one statement each, with its figure and its limit.

In comes the condition of a linkage (`statements`); out go findings in the order of their severity
(`findings`). The rules stand together by what they are about: geometry, motion, arms.
"""
