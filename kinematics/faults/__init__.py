"""What is wrong with a linkage, worked out from angles.

In come angles, strokes and curves; out go figures with their deviations: lost motion, margins and
standstill (`condition`), slipped arms (`slip`, `step_fit`, `arms`), jumps, repeatability, worn joints
(`joints`). Nothing is judged here: whether a figure is worth telling is decided in ``kinematics.findings``.
"""
