"""A video file in, frames out.

In comes a clip; out go luma planes with their presentation time (`reader`), decoded ahead of whoever uses
them, and upright colour pictures for people (`pictures`). Knows nothing of markers.
"""
