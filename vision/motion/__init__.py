"""Edge nodes in, the motion of shafts and rods out.

In come `MarkerTracks` and where each marker is mounted; out go `ShaftMotion` (`hinges`, `shafts`),
`RodMotion` (`rods`), pins, and what was wrong with the filming (`faults`), each with its standard
deviations. Camera and axes are found in ``vision.joint_fit``; here they become the angles of shafts.
"""
