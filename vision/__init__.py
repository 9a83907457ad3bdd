"""A video in, the motion of shafts and rods out. Knows nothing of linkages, jobs or pages."""
