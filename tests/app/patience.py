"""How long tests wait for what comes sooner or later, on a machine with many times its load."""

PATIENCE_S = 60.0
