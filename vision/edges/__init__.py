"""Frames in, edge nodes out: points on the edges of markers, to a small part of a pixel.

In come luma planes; out go `MarkerTracks` (`follow`): for every frame and expected marker two nodes on each
of its edges with their weights, or a gap. A marker is found by its code (`markers`) and followed
(`patches`, `whereabouts`); its edges are fitted to the light across them (`bands`, `edge_light`,
`edge_lines`, `edges`).
"""
