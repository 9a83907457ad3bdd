"""Travel and other evidence in, the geometry of a linkage out.

In come angles, stroke, pins and tape measures (`evidence`); out goes a `GeometryFit` (`geometry`): each
quantity with its standard deviation, whether it is determined, and which evidence carries it. The fit
begins at many places (`starts`, `search`); solutions that the film cannot tell apart are kept apart
(`spread`).
"""
