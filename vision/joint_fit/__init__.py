"""Camera, card and shafts as one model, fitted to the edge nodes of all frames.

In come edge nodes with the time of their frames; out go angles, axes and the camera's path, each with what
is known of its errors. What a film tells of its own making (rows exposed one after another, a picture
steadied afterwards) is found here, too, and taken out of the nodes: whoever comes later works on nodes as
an instant shutter would have shown them. Knows edges and pixels, nothing of linkages.
"""
