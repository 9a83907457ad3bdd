"""From a linkage and its intended travel to proposals and a work order.

In come a result folder or tape measures (`known_linkage`), what may be changed (`subject`) and the intended
travel; out go proposals (`proposals`), their files, drawings to scale and the work order in plain words.
The search itself is in ``kinematics.adjust``.
"""
